"""The sheet to send to the bench: filled in, it reads back without one assumption."""

from __future__ import annotations

import csv
import io
import os
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from flowkit.errors import SheetError
from flowkit.importers.blank_plan import LEAK, BlankPlan, lifts_by_fraction, lifts_by_step, plan_blank
from flowkit.model import Side

__all__ = ["FRACTIONS", "write_blank"]

FRACTIONS = (0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35)
"""Lift over valve diameter, where nothing else is asked for; common practice, no source."""


_FILL = "Fill in what stands empty behind the labels and under the headings"


def write_blank(
    path: str | Path,
    *,
    lifts_m: Sequence[float] | None = None,
    step_m: float | None = None,
    top_m: float | None = None,
    valve_diameter_m: float | None = None,
    fractions: Sequence[float] = FRACTIONS,
    ports: Sequence[str] = ("1", "2", "3", "4"),
    sides: Sequence[Side] = ("intake", "exhaust"),
    runs: int | Mapping[str, int] = 1,
    lift_unit: str = "mm",
    flow_unit: str = "CFM",
    pressure_unit: str = "inH2O",
    known: Mapping[str, str | float] | None = None,
) -> Path:
    """Write a blank sheet for a flow bench.

    Its lifts are `lifts_m`, or go by `step_m` up to `top_m`, or stand at `fractions` of
    `valve_diameter_m` (up to `top_m`, if given).

    Parameters
    ----------
    path : str or Path
        ``.xlsx``: prints on one page, its cells take no negative figures, its labels and
        units are protected (without a password); or ``.csv``.
    lifts_m : sequence of float, optional
        Lifts [m].
    step_m, top_m : float, optional
        Step and highest lift [m].
    valve_diameter_m : float, optional
        Diameter of the valve head [m].
    fractions : sequence of float, optional
        Lift over diameter.
    ports : sequence of str, optional
        Their names.
    sides : sequence of {"intake", "exhaust"}, optional
    runs : int or mapping of port to int, optional
        How often each port is run.
    lift_unit, flow_unit, pressure_unit : str, optional
        Units of the trade; other lengths are in mm beside a metric lift, in inches else.
    known : mapping, optional
        Label without unit, in small letters (``"test pressure"``), to what is filled in
        beforehand, in the sheet's unit.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    SheetError
        If the file exists, cannot be written, or the sheet asked for cannot be.
    UnitError
        If a unit is not known.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     written = write_blank(Path(folder) / "bench.csv", step_m=0.002, top_m=0.012, ports=["1"], sides=["intake"])
    ...     print(written.read_text(encoding="utf-8-sig").splitlines()[-8:-6])
    ['mm,CFM', '2,']
    """
    path = Path(path)
    if path.suffix.lower() not in (".xlsx", ".csv"):
        raise SheetError(f"a blank sheet is written as .xlsx or .csv, not {path.suffix or 'without ending'!r}")
    _refuse_existing(path)
    if lifts_m is None:
        lifts_m = _lifts(step_m, top_m, valve_diameter_m, fractions)
    plan = plan_blank(
        lifts_m,
        ports=ports,
        sides=sides,
        runs=runs,
        lift_unit=lift_unit,
        flow_unit=flow_unit,
        pressure_unit=pressure_unit,
        known=known or {},
    )
    if path.suffix.lower() == ".csv":
        content = _csv_bytes(plan)
    else:
        from flowkit.importers.blank_xlsx import xlsx_bytes

        content = xlsx_bytes(plan)
    _write_new(path, content)
    return path


def _lifts(
    step_m: float | None, top_m: float | None, valve_diameter_m: float | None, fractions: Sequence[float]
) -> tuple[float, ...]:
    """Return the lifts that were asked for."""
    if step_m is not None and top_m is not None:
        return lifts_by_step(step_m, top_m)
    if step_m is None and valve_diameter_m is not None:
        return lifts_by_fraction(valve_diameter_m, fractions, top_m)
    raise SheetError(
        "a blank sheet needs its lifts", "give a step and the highest lift, or the valve's diameter for fractions of it"
    )


def _csv_bytes(plan: BlankPlan) -> bytes:
    """Write a plan as text; with a byte-order mark, which spreadsheet programs want to see."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    # Comments, so never quoted, whatever commas stand in them.
    out.writelines(f"# {line}\r\n" for line in ("Flow test sheet", f"{_FILL}, {plan.help[0]}", *plan.help[1:]))
    writer.writerows([field.label, "" if field.value is None else field.value] for field in plan.fields)
    for columns in plan.tables:
        writer.writerow([])
        writer.writerow(["Lift", *(column.heading for column in columns)])
        writer.writerow([plan.lift_unit, *(plan.flow_unit for _ in columns)])
        writer.writerows([place, *("" for _ in columns)] for place in (*(f"{lift:g}" for lift in plan.lifts), LEAK))
    return out.getvalue().encode("utf-8-sig")


def _refuse_existing(path: Path) -> None:
    """Refuse to write over a file."""
    if os.path.lexists(path):
        raise SheetError("the file exists, and it may be filled in", "choose another name", file=str(path))


def _write_new(path: Path, content: bytes) -> None:
    """Write a file whole or not at all, and never over another."""
    try:
        handle, name = tempfile.mkstemp(prefix=".flowkit-", dir=path.parent)
    except OSError as error:
        raise SheetError(
            f"the sheet cannot be written ({error.strerror})", "choose another folder", file=str(path)
        ) from error
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        temporary.chmod(0o644)
        try:
            os.link(temporary, path)
        except FileExistsError:
            _refuse_existing(path)
            raise
        except OSError:
            # Not every file system has links; there the file is looked for once more.
            _refuse_existing(path)
            temporary.replace(path)
    except OSError as error:
        raise SheetError(
            f"the sheet cannot be written ({error.strerror})", "choose another folder", file=str(path)
        ) from error
    finally:
        temporary.unlink(missing_ok=True)
