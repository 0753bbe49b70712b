"""The job file's ``[engine]`` table, and what a variant changes of it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from flowkit.engine.data import EngineData
from flowkit.engine.results import Volumes
from flowkit.errors import JobError
from flowkit.fields import read_keys, section
from flowkit.model import Finding

__all__ = ["PARTS", "engine_of_tables"]

_ROWS = section("engine")
_REQUIRED = ("cylinders", "bore", "stroke", "rod")
_VOLUMES = ("chamber_volume", "milled", "gasket_bore", "gasket_thickness", "deck_clearance", "crown_volume")
PARTS = (*_VOLUMES, "chamber_area")


def engine_of_tables(
    common: Mapping[str, Any], own: Mapping[str, Any], *, place: str = "[engine]", own_place: str = "[variant.engine]"
) -> tuple[EngineData, tuple[Finding, ...]]:
    """Make an engine of ``[engine]`` and of what a variant says over it, key by key.

    The compression ratio is stated or follows from the volumes, 1 + V_d/V_c with V_c = chamber − chamber area·milled
    + π/4·gasket bore²·thickness + π/4·bore²·deck clearance − crown; a variant that changes bore or stroke, or mills
    the head, keeps the clearance volume of the job's ratio.
    """
    base, mine = _read(common, place), _read(own, own_place)
    for table, where in ((common, place), (own, own_place)):
        stated = [name for name in PARTS if name in table]
        if "compression_ratio" in table and stated:
            raise JobError(
                f"{where} states compression_ratio and {stated[0]}", "state the ratio or the volumes, not both"
            )
    merged = {**base, **{name: value for name, value in mine.items() if name not in ("compression_ratio", *PARTS)}}
    missing = [name for name in _REQUIRED if name not in merged]
    if missing:
        raise JobError(f"{place} lacks {', '.join(missing)}", "add it, or leave the whole table out")
    if merged["rod"] <= merged["stroke"] / 2:
        raise JobError(
            f"{own_place if own else place}: the rod is shorter than half the stroke", "check both, and their units"
        )
    where = own_place if any(name in mine for name in ("compression_ratio", "bore", "stroke", *PARTS)) else place
    ratio, volumes, findings = _compression(base, mine, merged, where)
    fields = {_ROWS[name].attribute: value for name, value in merged.items() if _ROWS[name].attribute}
    names = tuple(dict.fromkeys((*fields, "compression_ratio")))
    return EngineData(**{**fields, "compression_ratio": ratio}, volumes=volumes, stated=names), findings


def _compression(
    base: Mapping[str, Any], mine: Mapping[str, Any], merged: Mapping[str, Any], where: str
) -> tuple[float, Volumes | None, tuple[Finding, ...]]:
    """Return the ratio, its volumes where these were stated, and what is to be said of it."""
    displaced = _disc(merged["bore"]) * merged["stroke"]
    if "compression_ratio" in mine:
        return _above_one(mine["compression_ratio"], where), None, ()
    parts = {name: value for name, value in base.items() if name in PARTS}
    if "chamber_volume" in mine and parts:
        parts["milled"] = 0.0  # what was milled off is in the new volume
    parts |= {name: value for name, value in mine.items() if name in PARTS}
    own_parts = [name for name in mine if name in PARTS]
    if "compression_ratio" in base and not [name for name in own_parts if name not in ("milled", "chamber_area")]:
        return _from_the_jobs_ratio(base, mine, displaced, where)
    if not parts:
        raise JobError(f"{where} lacks compression_ratio", "state it, or the volumes it follows from")
    missing = [name for name in _VOLUMES if name not in parts]
    if missing:
        raise JobError(
            f"{where}: the compression ratio cannot be worked out without {', '.join(missing)}",
            "state every part of the volume, zero too, or compression_ratio alone",
        )
    if parts["milled"] > 0 and "chamber_area" not in parts:
        raise JobError(f"{where}: milled needs chamber_area, the chamber's area at the face", "add it")
    volumes = Volumes(
        parts["chamber_volume"],
        parts["milled"] * parts.get("chamber_area", 0.0),
        _disc(parts["gasket_bore"]) * parts["gasket_thickness"],
        _disc(merged["bore"]) * parts["deck_clearance"],
        parts["crown_volume"],
    )
    clearance = volumes.clearance_m3
    if clearance <= 0:
        raise JobError(f"{where}: the clearance volume comes to {clearance * 1e6:.2f} cc", _CHECK_SIGNS)
    return 1 + displaced / clearance, volumes, tuple(_doubts(parts, merged["bore"], where))


_CHECK_SIGNS = "check the volumes and their signs: deck_clearance + below the deck, crown_volume + for a dome"


def _from_the_jobs_ratio(
    base: Mapping[str, Any], mine: Mapping[str, Any], displaced: float, where: str
) -> tuple[float, None, tuple[Finding, ...]]:
    """Keep the clearance volume that the job's ratio makes, less what was milled off."""
    ratio = _above_one(base["compression_ratio"], where)
    if "milled" in mine and "chamber_area" not in mine:
        raise JobError(f"{where}: milled needs chamber_area, the chamber's area at the face", "add it")
    before = _disc(base["bore"]) * base["stroke"]
    clearance = before / (ratio - 1) - mine.get("milled", 0.0) * mine.get("chamber_area", 0.0)
    if clearance <= 0:
        raise JobError(f"{where}: the milling takes more than the clearance volume", "check milled and chamber_area")
    follows = 1 + displaced / clearance
    if math.isclose(follows, ratio, rel_tol=1e-9):
        return ratio, None, ()
    note = (
        f"The compression ratio follows as {follows:.2f}: the clearance volume of the job's ratio {ratio:g}, "
        f"{clearance * 1e6:.1f} cc, is kept{' less what was milled off' if mine.get('milled') else ''}. State "
        "compression_ratio here if the chamber or the pistons changed as well."
    )
    return follows, None, (Finding("compression-follows", "note", where, note),)


def _doubts(parts: Mapping[str, Any], bore: float, where: str) -> list[Finding]:
    """Warn where a gasket does not clear the bore, or the piston would meet the head."""
    found = []
    if parts["gasket_bore"] < bore * (1 - 1e-9):
        found.append(
            f"The gasket's bore of {parts['gasket_bore'] * 1e3:.2f} mm is below the cylinder's "
            f"{bore * 1e3:.2f} mm: it would reach into the chamber; measure it again."
        )
    if parts["deck_clearance"] + parts["gasket_thickness"] <= 0:
        found.append(
            "Deck clearance and gasket thickness come to nothing or less, so the piston would meet the head: has "
            "deck_clearance the wrong sign? It is + below the deck."
        )
    return [Finding("compression-doubtful", "warning", where, text) for text in found]


def _disc(diameter: float) -> float:
    """Return the area of a circle."""
    return math.pi / 4 * diameter**2


def _above_one(ratio: float, where: str) -> float:
    """Refuse a ratio of one and below."""
    if ratio <= 1:
        raise JobError(f"{where}, compression_ratio: it must be above 1", "correct it")
    return ratio


def _read(mapping: Mapping[str, Any], place: str) -> dict[str, Any]:
    """Read the keys of a table into SI."""
    values = read_keys("engine", mapping, place)
    if values.get("ignition") == "compression":
        raise JobError(
            f"{place}, ignition: compression ignition is outside the model",
            'leave [engine] out for a diesel; its flows are compared all the same, or state "spark"',
        )
    return values
