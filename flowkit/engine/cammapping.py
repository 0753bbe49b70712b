"""The job file's ``[cam]`` tables: a measured table, the timing, or the cam card of each side."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flowkit.engine.cam import Cam
from flowkit.engine.fields import choice, plain_number, quantity, timing
from flowkit.errors import EngineError, JobError
from flowkit.fields import refuse_unknown
from flowkit.model import Side

__all__ = ["CAM_KEYS", "cam_from_mapping", "cams_of_tables"]

CAM_KEYS: dict[str, str] = {
    "table": "File with a column of degrees and one of lift; relative to the job file.",
    "sheet": "Its worksheet, where there are several.",
    "lift_unit": "Unit of the table's lift, where its heading does not say it.",
    "degrees": '"crank" (default) or "cam": which degrees the table or the duration counts.',
    "zero": 'What the table\'s 0° is: "gas exchange TDC" or "firing TDC".',
    "centreline": 'Where the middle of the lobe is, such as "108 ATDC" (intake), "110 BTDC" (exhaust).',
    "opens": 'Without a table: where the checking lift is reached, such as "12 BTDC" or "55 BBDC".',
    "closes": 'Where it is left, such as "52 ABDC" or "15 ATDC".',
    "duration": "Of the cam card, in crank degrees, at the checking lift.",
    "checking_lift": 'Lift the timing or the duration is stated at, such as "1 mm"; "0 mm" for the ends of lift.',
    "peak_lift": "Largest lift; of a cam card, at the valve.",
    "lobe_lift": "Of a cam card: lift at the cam; the valve's is that times rocker_ratio.",
    "lift_at": '"valve" or "cam": where lifts were measured. Default valve; of a cam card it speaks of checking_lift '
    "alone, and the default is cam.",
    "rocker_ratio": "Valve lift over cam lift; needed where lifts are the cam's.",
    "lash": "At the valve, taken off the lift; none unless stated.",
    "name": "How the cam is called.",
}
"""Keys of a cam's table and their meaning."""

_OF_TABLE = ("sheet", "lift_unit", "zero")
_OF_TIMING = ("opens", "closes", "checking_lift", "peak_lift")
_OF_CARD = ("duration", "lobe_lift")
_ANOTHER = ("table", "opens", "closes", "duration")
_TDC = 360.0
_AGREE_DEG = 0.5


@dataclass(frozen=True, slots=True)
class _Phasing:
    """What ``[cam]`` says for both sides: lobe separation [cam degrees] and advance [crank degrees]."""

    lobe_separation: float | None = None
    advance: float | None = None

    @classmethod
    def read(cls, table: Mapping[str, Any], place: str) -> _Phasing:
        """Read both, numbers or text."""
        return cls(
            _degrees(table["lobe_separation"], place, "lobe_separation") if "lobe_separation" in table else None,
            _degrees(table["advance"], place, "advance") if "advance" in table else None,
        )


def cams_of_tables(
    common: Mapping[str, Any], own: Mapping[str, Any], folder: Path, own_place: str = "[variant.cam]"
) -> dict[Side, Cam]:
    """Make the cams of ``[cam]`` and of what a variant says over it.

    A variant's side with a table, timing or duration is another cam and counts alone; without them it changes
    single keys of the job's.

    Parameters
    ----------
    common, own : mapping
        With ``intake``, ``exhaust``, ``lobe_separation`` and ``advance``, as written.
    folder : Path
        What paths are relative to.
    own_place : str
        For messages.

    Raises
    ------
    JobError
        If a key is not known, missing or cannot be understood, or two statements contradict.
    SheetError
        If a table cannot be read.

    Examples
    --------
    >>> card = {"duration": 244, "checking_lift": "1 mm", "lobe_lift": "6.5 mm", "rocker_ratio": 1.5}
    >>> cams = cams_of_tables({"intake": card, "exhaust": card, "lobe_separation": 108, "advance": 4}, {}, Path())
    >>> [round(sum(cam.open_period) / 2, 1) for cam in cams.values()]
    [464.0, 248.0]
    """
    phasing = _Phasing.read({**common, **own}, own_place if "lobe_separation" in own or "advance" in own else "[cam]")
    tables: dict[Side, tuple[Mapping[str, Any], str]] = {}
    for side in ("intake", "exhaust"):
        base, mine = common.get(side) or {}, own.get(side) or {}
        place = f"{own_place.rstrip(']')}.{side}]" if mine else f"[cam.{side}]"
        alone = any(key in mine for key in _ANOTHER)
        table = dict(mine) if alone or not base else {**base, **mine}
        if table:
            tables[side] = (table, place)
    middles = _middles(tables, phasing)
    return {
        side: cam_from_mapping(table, folder, place, middle=middles.get(side))
        for side, (table, place) in tables.items()
    }


def _middles(tables: Mapping[Side, tuple[Mapping[str, Any], str]], phasing: _Phasing) -> dict[Side, float]:
    """Return the centrelines of cam cards by side: intake after, exhaust before the dead centre of gas exchange."""
    own: dict[Side, float] = {}
    for side, (table, place) in tables.items():
        if "centreline" in table:
            own[side] = _centreline(table, place, side)
        elif "opens" in table and "closes" in table:
            own[side] = _middle_of_timing(table, place, side)
    separation, advance = phasing.lobe_separation, phasing.advance
    if advance is not None and separation is None:
        raise JobError("[cam]: advance needs lobe_separation", "add it, or state a centreline for each side")
    found = dict(own)
    if separation is not None:
        by_advance: dict[Side, float] = {}
        if advance is not None:
            by_advance = {"intake": separation - advance, "exhaust": separation + advance}
        elif len(own) == 1:
            (known,) = own
            other: Side = "exhaust" if known == "intake" else "intake"
            by_advance = {other: 2 * separation - own[known]}
        elif len(own) == 2:
            by_advance = {"exhaust": 2 * separation - own["intake"]}
        for side, angle in by_advance.items():
            if side in own and side in tables and abs(own[side] - angle) > _AGREE_DEG:
                raise JobError(
                    f"{tables[side][1]}: its centreline is {own[side]:g}°, lobe_separation and advance make {angle:g}°",
                    "they cannot both be right; correct one or leave it out",
                )
            found.setdefault(side, angle)
    return found


def _centreline(table: Mapping[str, Any], place: str, side: Side) -> float:
    """Return a side's own centreline: intake after, exhaust before top dead centre."""
    angle, dead_centre, _ = timing(table["centreline"], place, "centreline")
    if dead_centre != "TDC":
        raise JobError(f"{place}, centreline: it counts from top dead centre", 'write it like "108 ATDC"')
    return angle if side == "intake" else -angle


def _middle_of_timing(table: Mapping[str, Any], place: str, side: Side) -> float:
    """Return the middle of a timing, counted as a centreline is."""
    opens, closes = (timing(table[key], place, key)[0] for key in ("opens", "closes"))
    return (opens + 180 + closes) / 2 if side == "intake" else -(opens - 180 + closes) / 2


def _degrees(written: Any, place: str, key: str) -> float:
    """Read an angle: a number, or text with or without a unit."""
    text = str(written).strip().lower().replace("\u2212", "-")
    for unit in ("degrees", "degree", "deg", "°"):
        text = text.removesuffix(unit).strip()
    sign = -1.0 if text.startswith("-") else 1.0
    return sign * plain_number(text.lstrip("+-").strip(), place, key, highest=360.0, open_below=False)


def cam_from_mapping(mapping: Mapping[str, Any], folder: Path, place: str, *, middle: float | None = None) -> Cam:
    """Make a cam of its table in a job file; see `Cam.from_mapping`.

    Parameters
    ----------
    mapping : mapping
        Keys of `CAM_KEYS`.
    folder : Path
        What paths are relative to.
    place : str
        For messages; it names the side.
    middle : float, optional
        The centreline of a cam card [degrees of crank]: intake after, exhaust before top dead centre.

    Raises
    ------
    JobError
        If a key is not known, missing or cannot be understood.
    SheetError
        If the table cannot be read.

    Examples
    --------
    >>> cam_from_mapping({"opens": "55 BBDC", "closes": "15 ATDC", "checking_lift": "0 mm",
    ...                   "peak_lift": "9 mm"}, Path("."), "[cam.exhaust]").open_period
    (125.0, 375.0)
    """
    refuse_unknown(mapping, CAM_KEYS, place)
    try:
        if "duration" in mapping:
            return _from_card(mapping, place, middle)
        common = _common(mapping, place)
        return _from_table(mapping, folder, place, common) if "table" in mapping else _timed(mapping, place, common)
    except EngineError as error:
        raise JobError(f"{place}: {error.problem}", error.remedy) from error


def _common(mapping: Mapping[str, Any], place: str, at: str = "valve") -> dict[str, Any]:
    """Read what all kinds share; lifts are the valve's unless stated, the checking lift of a card the cam's."""
    lift_at = choice(mapping.get("lift_at", at), ("valve", "cam"), place, "lift_at")
    if lift_at == "cam" and "rocker_ratio" not in mapping:
        raise JobError(f"{place}: lift at the cam needs the rocker ratio", "add rocker_ratio, 1.0 where there is none")
    ratio = plain_number(mapping.get("rocker_ratio", 1.0), place, "rocker_ratio", highest=4.0)
    lash = quantity(mapping["lash"], "length", place, "lash", positive=False) if "lash" in mapping else 0.0
    if lash < 0:
        raise JobError(f"{place}, lash: {mapping['lash']!r} is negative", "correct it")
    common: dict[str, Any] = {"lift_at": lift_at, "rocker_ratio": ratio, "lash_m": lash}
    if "name" in mapping:
        common["name"] = str(mapping["name"])
    return common


def _from_card(mapping: Mapping[str, Any], place: str, middle: float | None) -> Cam:
    """Make a cam of its card: duration at a checking lift, lift, and where its middle is."""
    _refuse_other(mapping, ("table", "opens", "closes", *_OF_TABLE), place, "beside a duration")
    if "checking_lift" not in mapping:
        raise JobError(f"{place} lacks checking_lift", "state at which lift the duration counts; there is no usual one")
    if ("lobe_lift" in mapping) == ("peak_lift" in mapping):
        raise JobError(f"{place}: a cam card needs lobe_lift or peak_lift", "state one: at the cam, or at the valve")
    if "lobe_lift" in mapping and "rocker_ratio" not in mapping:
        raise JobError(f"{place}: lobe_lift needs the rocker ratio", "add rocker_ratio, 1.0 where there is none")
    common = _common(mapping, place, "cam")
    ratio = common["rocker_ratio"]
    at_cam = choice(mapping.get("degrees", "crank"), ("crank", "cam"), place, "degrees") == "cam"
    half = _degrees(mapping["duration"], place, "duration") * (1.0 if at_cam else 0.5)
    peak = quantity(mapping["lobe_lift"], "length", place, "lobe_lift") * ratio if "lobe_lift" in mapping else (
        quantity(mapping["peak_lift"], "length", place, "peak_lift")
    )  # fmt: skip
    checking = quantity(mapping["checking_lift"], "length", place, "checking_lift", positive=False)
    if common.pop("lift_at") == "cam":
        checking *= ratio
    side = "exhaust" if "exhaust" in place else "intake"
    if middle is None and "centreline" in mapping:
        middle = _centreline(mapping, place, "exhaust" if side == "exhaust" else "intake")
    if middle is None:
        raise JobError(
            f"{place}: nothing says where the lobe's middle is",
            'add centreline, such as "108 ATDC", or lobe_separation and advance to [cam]; none is assumed',
        )
    centre = _TDC + middle if side == "intake" else _TDC - middle
    common.setdefault("name", f"{side} cam")
    del common["rocker_ratio"]
    notes = _signs(mapping, ("centreline",), place)
    return Cam.from_timing(
        opens_deg=centre - half,
        closes_deg=centre + half,
        checking_lift_m=checking,
        peak_lift_m=peak,
        timing_notes=notes,
        **common,
    )


def _signs(mapping: Mapping[str, Any], keys: tuple[str, ...], place: str) -> tuple[str, ...]:
    """Return how signs in valve events were understood."""
    notes = [timing(mapping[key], place, key)[2] for key in keys if key in mapping]
    return tuple(note for note in notes if note is not None)


def _refuse_other(mapping: Mapping[str, Any], others: tuple[str, ...], place: str, why: str) -> None:
    """Refuse the keys of the other way to describe a cam."""
    for key in others:
        if key in mapping:
            raise JobError(f"{place}: {key} has no meaning {why}", "take it out")


def _from_table(mapping: Mapping[str, Any], folder: Path, place: str, common: dict[str, Any]) -> Cam:
    """Make a cam of a measured table."""
    _refuse_other(mapping, (*_OF_TIMING, *_OF_CARD), place, "beside a measured table")
    degrees = choice(mapping.get("degrees", "crank"), ("crank", "cam"), place, "degrees")
    zero = mapping.get("zero")
    if zero is not None:
        # Read in any case; the names are spelled as they are shown.
        words = {"gas exchange tdc": "gas exchange TDC", "firing tdc": "firing TDC"}
        zero = words[choice(zero, tuple(words), place, "zero")]
    centreline = None
    if "centreline" in mapping:
        centreline, dead_centre, _ = timing(mapping["centreline"], place, "centreline")
        if dead_centre != "TDC":
            raise JobError(f"{place}, centreline: it counts from top dead centre", 'write it like "108 ATDC"')
    return Cam.from_file(
        folder / str(mapping["table"]),
        lift_unit=mapping.get("lift_unit"),
        sheet=mapping.get("sheet"),
        degrees=degrees,
        zero=zero,
        centreline_deg=centreline,
        timing_notes=_signs(mapping, ("centreline",), place),
        **common,
    )


def _timed(mapping: Mapping[str, Any], place: str, common: dict[str, Any]) -> Cam:
    """Make a cam of its timing."""
    _refuse_other(mapping, (*_OF_TABLE, "degrees", "centreline"), place, "beside opens and closes")
    _refuse_other(mapping, _OF_CARD, place, "without a duration")
    missing = [key for key in _OF_TIMING if key not in mapping]
    if missing:
        raise JobError(
            f"{place} lacks {' and '.join(missing)}",
            "give a measured table; or opens, closes, checking_lift and peak_lift; or a cam card's duration, "
            "checking_lift and lobe_lift",
        )
    opens, opens_at, _ = timing(mapping["opens"], place, "opens")
    closes, closes_at, _ = timing(mapping["closes"], place, "closes")
    if opens_at == closes_at:
        raise JobError(
            f"{place}: the valve opens and closes at the same dead centre",
            "an intake opens about TDC and closes about BDC, an exhaust opens about BDC and closes about TDC",
        )
    # An intake opens about gas-exchange TDC (360°) and closes about the BDC after it; an exhaust
    # opens about the BDC before it.
    intake = opens_at == "TDC"
    # A cam without a name is called after its table in the job file, such as "intake cam".
    side = next((side for side in ("intake", "exhaust") if side in place), None)
    named = {"name": f"{side} cam"} if side else {}
    return Cam.from_timing(
        opens_deg=(_TDC if intake else _TDC - 180) + opens,
        closes_deg=(_TDC + 180 if intake else _TDC) + closes,
        checking_lift_m=quantity(mapping["checking_lift"], "length", place, "checking_lift", positive=False),
        peak_lift_m=quantity(mapping["peak_lift"], "length", place, "peak_lift"),
        timing_notes=_signs(mapping, ("opens", "closes"), place),
        **{**named, **common},
    )
