"""From flow to the engine: cam, Mach index, filling, torque and power, and what if."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flowkit.engine.cam import Cam
    from flowkit.engine.data import EngineData
    from flowkit.engine.figures import air_limited_power, cam_weighted_mean_flow, mean_inlet_mach_index
    from flowkit.engine.prediction import Change, parse_change, whatif
    from flowkit.engine.results import EngineResult
    from flowkit.engine.run import run_engine

__all__ = [
    "Cam",
    "Change",
    "EngineData",
    "EngineResult",
    "air_limited_power",
    "cam_weighted_mean_flow",
    "mean_inlet_mach_index",
    "parse_change",
    "run_engine",
    "whatif",
]

_HOMES = {
    "Cam": "cam",
    "Change": "prediction",
    "EngineData": "data",
    "EngineResult": "results",
    "air_limited_power": "figures",
    "cam_weighted_mean_flow": "figures",
    "mean_inlet_mach_index": "figures",
    "parse_change": "prediction",
    "run_engine": "run",
    "whatif": "prediction",
}


def __getattr__(name: str) -> Any:
    """Import numpy and the rest only once an engine is asked for."""
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(f"flowkit.engine.{_HOMES[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
