"""The job file's ``[cam]`` tables: a measured table, the timing, or the cam card of each side."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flowkit.engine.cam import Cam
from flowkit.errors import EngineError, JobError
from flowkit.fields import read_keys
from flowkit.model import Side

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
        both = {key: table[key] for key in ("lobe_separation", "advance") if key in table}
        read = read_keys("cams", both, place)
        return cls(read.get("lobe_separation"), read.get("advance"))


def cams_of_tables(
    common: Mapping[str, Any], own: Mapping[str, Any], folder: Path, own_place: str = "[variant.cam]"
) -> dict[Side, Cam]:
    """Make the cams of ``[cam]`` and of what a variant says over it.

    A variant's side with a table, timing or duration is another cam and counts alone; without them it changes
    single keys of the job's.
    """
    phasing = _Phasing.read({**common, **own}, own_place if "lobe_separation" in own or "advance" in own else "[cam]")
    tables: dict[Side, tuple[Mapping[str, Any], str]] = {}
    for side in ("intake", "exhaust"):
        base, mine = common.get(side) or {}, own.get(side) or {}
        place = f"{own_place.rstrip(']')}.{side}]" if mine else f"[cam.{side}]"
        alone = any(key in mine for key in _ANOTHER)
        table = dict(mine) if alone or not base else {**base, **mine}
        if "rocker_ratio" in mine and not alone and table.get("lift_at") != "cam" and "duration" not in table:
            raise JobError(
                f"{place}: rocker_ratio changes nothing, the lifts are the valve's",
                'state the new peak_lift, or the lifts at the cam with lift_at = "cam"',
            )
        if table:
            tables[side] = (read_keys("cam", table, place), place)
    middles = _middles(tables, phasing)
    return {side: _cam_of(table, folder, place, middles.get(side)) for side, (table, place) in tables.items()}


def _middles(tables: Mapping[Side, tuple[Mapping[str, Any], str]], phasing: _Phasing) -> dict[Side, float]:
    """Return the centrelines of cam cards by side: intake after, exhaust before the dead centre of gas exchange."""
    own: dict[Side, float] = {}
    for side, (table, place) in tables.items():
        if "centreline" in table:
            own[side] = _centreline(table, place, side)
        elif "opens" in table and "closes" in table:
            own[side] = _middle_of_timing(table, side)
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
    angle: float
    angle, dead_centre, _ = table["centreline"]
    if dead_centre != "TDC":
        raise JobError(f"{place}, centreline: it counts from top dead centre", 'write it like "108 ATDC"')
    return angle if side == "intake" else -angle


def _middle_of_timing(table: Mapping[str, Any], side: Side) -> float:
    """Return the middle of a timing, counted as a centreline is."""
    opens, closes = float(table["opens"][0]), float(table["closes"][0])
    return (opens + 180 + closes) / 2 if side == "intake" else -(opens - 180 + closes) / 2


def _cam_of(mapping: Mapping[str, Any], folder: Path, place: str, middle: float | None) -> Cam:
    """Make a cam of a table that was read into SI."""
    try:
        if "duration" in mapping:
            return _from_card(mapping, place, middle)
        common = _common(mapping, place)
        return _from_table(mapping, folder, place, common) if "table" in mapping else _timed(mapping, place, common)
    except EngineError as error:
        raise JobError(f"{place}: {error.problem}", error.remedy) from error


def _common(mapping: Mapping[str, Any], place: str, at: str = "valve") -> dict[str, Any]:
    """Read what all kinds share; lifts are the valve's unless stated, the checking lift of a card the cam's."""
    lift_at = mapping.get("lift_at", at)
    if lift_at == "cam" and "rocker_ratio" not in mapping:
        raise JobError(f"{place}: lift at the cam needs the rocker ratio", "add rocker_ratio, 1.0 where there is none")
    common: dict[str, Any] = {
        "lift_at": lift_at,
        "rocker_ratio": mapping.get("rocker_ratio", 1.0),
        "lash_m": mapping.get("lash", 0.0),
    }
    if "name" in mapping:
        common["name"] = mapping["name"]
    return common


def _from_card(mapping: Mapping[str, Any], place: str, middle: float | None) -> Cam:
    """Make a cam of its card: duration at a checking lift, lift, and where its middle is."""
    _refuse_other(mapping, ("table", "opens", "closes", *_OF_TABLE), place, "beside a duration")
    if "checking_lift" not in mapping:
        raise JobError(
            f"{place} lacks checking_lift", "state the lift the duration is measured at; there is no standard one"
        )
    if ("lobe_lift" in mapping) == ("peak_lift" in mapping):
        raise JobError(f"{place}: a cam card needs lobe_lift or peak_lift", "state one: at the cam, or at the valve")
    if "lobe_lift" in mapping and "rocker_ratio" not in mapping:
        raise JobError(f"{place}: lobe_lift needs the rocker ratio", "add rocker_ratio, 1.0 where there is none")
    common = _common(mapping, place, "cam")
    ratio = common["rocker_ratio"]
    at_cam = mapping.get("degrees") == "cam"
    half = mapping["duration"] * (1.0 if at_cam else 0.5)
    peak = mapping["lobe_lift"] * ratio if "lobe_lift" in mapping else mapping["peak_lift"]
    checking = mapping["checking_lift"]
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
    notes = _signs(mapping, ("centreline",))
    return Cam.from_timing(
        opens_deg=centre - half,
        closes_deg=centre + half,
        checking_lift_m=checking,
        peak_lift_m=peak,
        timing_notes=notes,
        **common,
    )


def _signs(mapping: Mapping[str, Any], keys: tuple[str, ...]) -> tuple[str, ...]:
    """Return how signs in valve events were understood."""
    notes = [mapping[key][2] for key in keys if key in mapping]
    return tuple(note for note in notes if note is not None)


def _refuse_other(mapping: Mapping[str, Any], others: tuple[str, ...], place: str, why: str) -> None:
    """Refuse the keys of the other way to describe a cam."""
    for key in others:
        if key in mapping:
            raise JobError(f"{place}: {key} cannot be used {why}", "take it out")


def _from_table(mapping: Mapping[str, Any], folder: Path, place: str, common: dict[str, Any]) -> Cam:
    """Make a cam of a measured table."""
    _refuse_other(mapping, (*_OF_TIMING, *_OF_CARD), place, "beside a measured table")
    centreline = None
    if "centreline" in mapping:
        centreline, dead_centre, _ = mapping["centreline"]
        if dead_centre != "TDC":
            raise JobError(f"{place}, centreline: it counts from top dead centre", 'write it like "108 ATDC"')
    return Cam.from_file(
        folder / mapping["table"],
        lift_unit=mapping.get("lift_unit"),
        sheet=mapping.get("sheet"),
        degrees=mapping.get("degrees", "crank"),
        zero=mapping.get("zero"),
        centreline_deg=centreline,
        timing_notes=_signs(mapping, ("centreline",)),
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
    opens, opens_at, _ = mapping["opens"]
    closes, closes_at, _ = mapping["closes"]
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
        checking_lift_m=mapping["checking_lift"],
        peak_lift_m=mapping["peak_lift"],
        timing_notes=_signs(mapping, ("opens", "closes")),
        **{**named, **common},
    )
