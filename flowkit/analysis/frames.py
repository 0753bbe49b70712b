"""A comparison as data frames, and its curves as functions: what an analyst goes on with."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flowkit.errors import FlowkitError
from flowkit.model import SIDES, Side, ValveGeometry
from flowkit.units import from_si

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from flowkit.analysis.curves import PortCurve
    from flowkit.analysis.results import Comparison, SideComparison

UNITS: dict[str, dict[str, str]] = {
    "SI": {"length": "m", "flow": "m³/s", "pressure": "Pa"},
    "US": {"length": "in", "flow": "CFM", "pressure": "inH2O"},
    "metric": {"length": "mm", "flow": "L/s", "pressure": "kPa"},
}


@dataclass(frozen=True, slots=True, repr=False)
class Curve:
    """The lift-flow curve of a state on one side, of all its ports or of one; lifts in m, flows in m³/s.

    Attributes
    ----------
    side : {"intake", "exhaust"}
    state : str
    port : str or None
        None for the mean over the ports.
    valve : ValveGeometry
        Of the state; None where not known, in m.
    u95 : tuple of (float or None)
        Half the 95 % interval of the flow at each of `lifts_m`, relative; empty for a port.

    Examples
    --------
    >>> from flowkit import compare
    >>> curve = compare("sample_sheets/as_received.csv").curve("intake", "as received")
    >>> len(curve.ports), bool(curve.mean(0.002, 0.008) < curve(0.008))
    (4, True)
    """

    side: Side
    state: str
    port: str | None
    _curves: tuple[PortCurve, ...]
    valve: ValveGeometry = field(default_factory=ValveGeometry)
    u95: tuple[float | None, ...] = ()

    def __call__(self, lift_m: ArrayLike) -> NDArray[np.float64]:
        """Return the flow [m³/s] at lifts [m] within the measured ones."""
        lifts = _lifts_in_m(lift_m)
        flow: NDArray[np.float64] = np.mean([curve.flow(lifts) for curve in self._curves], axis=0)
        return flow

    @property
    def lifts_m(self) -> tuple[float, ...]:
        """The measured lifts within the range of all ports [m]."""
        low, high = self.range_m
        return tuple(sorted({float(x) for curve in self._curves for x in curve.lifts_m if low <= x <= high}))

    @property
    def range_m(self) -> tuple[float, float]:
        """Lowest and highest lift measured in every port [m]."""
        return max(float(curve.lowest) for curve in self._curves), min(float(curve.highest) for curve in self._curves)

    @property
    def ports(self) -> tuple[Curve, ...]:
        """The curve of each port."""
        return tuple(Curve(self.side, self.state, curve.port, (curve,), self.valve) for curve in self._curves)

    def area(self, low_m: float, high_m: float) -> float:
        """Return the area under the curve, in m⁴/s: the exact integral of the interpolant.

        Parameters
        ----------
        low_m, high_m : float
            Lifts [m] within the measured ones.
        """
        low, high = _limits(low_m, high_m)
        return float(np.mean([curve.area(low, high) for curve in self._curves]))

    def mean(self, low_m: float, high_m: float) -> float:
        """Return the mean flow between two lifts, in m³/s.

        Parameters
        ----------
        low_m, high_m : float
            Lifts [m] within the measured ones.
        """
        low, high = _limits(low_m, high_m)
        return float(np.mean([curve.mean_flow(low, high) for curve in self._curves]))

    def plot(
        self,
        ax: Axes | None = None,
        *,
        label: str | None = None,
        color: str | None = None,
        errorbars: bool = False,
        display: Literal["US", "metric"] = "US",
    ) -> Axes:
        """Draw the curve with its measured points.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; otherwise a new figure that is not pyplot's: show it as ``ax.figure``.
        label : str, optional
            What the line is called in ``ax.legend()``.
        color : str, optional
            As matplotlib knows it.
        errorbars : bool, optional
            Draw the 95 % interval of each point, known of a state's curve.
        display : {"US", "metric"}, optional
            CFM over inches, or L/s over millimetres.

        Returns
        -------
        matplotlib.axes.Axes
        """
        from flowkit.drawing import plot_curve

        return plot_curve(self, ax, display=display, label=label, color=color, errorbars=errorbars)

    def __repr__(self) -> str:
        who = f"port {self.port}" if self.port is not None else f"{len(self._curves)} ports"
        return f"<Curve of {self.state!r}, {self.side}, {who}, {len(self.lifts_m)} lifts>"


def _lifts_in_m(lift_m: ArrayLike) -> NDArray[np.float64]:
    """Take lifts as numbers."""
    try:
        return np.asarray(lift_m, dtype=float)
    except (TypeError, ValueError) as error:
        raise FlowkitError(f"{lift_m!r} is not a lift", "give lifts as numbers in m, as 0.004") from error


def _limits(low_m: float, high_m: float) -> tuple[float, float]:
    """Take two lifts in rising order."""
    low, high = (float(_lifts_in_m(lift)) for lift in (low_m, high_m))
    if low > high:
        raise FlowkitError(f"{low:g} to {high:g} m is not a range of lifts", "give the lower one first")
    return low, high


def curve_of(comparison: Comparison, side: Side, state: str, port: str | None = None) -> Curve:
    """Return a curve of a comparison."""
    found = next((item for item in comparison.inputs().sides[side] if item.name == state), None)
    if found is None:
        names = ", ".join(repr(item.name) for item in comparison.inputs().sides[side])
        raise FlowkitError(f"there is no state {state!r} on the {side}", f"there are {names}")
    chosen = [curve for curve in found.curves() if port is None or curve.port == str(port)]
    if not chosen:
        names = ", ".join(repr(curve.port) for curve in found.curves())
        raise FlowkitError(f"{state!r} has no {side} port {port!r}", f"it has {names}")
    shown = comparison.sides[side].variant(state)
    known = dict(zip(shown.lifts_m, shown.flow_u95, strict=True)) if port is None else {}
    curve = Curve(side, state, None if port is None else str(port), tuple(chosen), found.valve)
    return replace(curve, u95=tuple(known.get(lift) for lift in curve.lifts_m)) if known else curve


def table_of(comparison: Comparison, kind: str, units: str) -> pd.DataFrame:
    """Return one of the tables of `COLUMNS`, in the units asked for."""
    if kind not in COLUMNS:
        raise FlowkitError(f"there is no table of {kind!r}", "ask for one of " + ", ".join(COLUMNS))
    rows: list[tuple[object, ...]] = []
    if kind == "findings":
        rows = [(item.rule, item.severity, item.where, item.message) for item in comparison.findings]
    for side, result in comparison.sides.items():
        rows += [(side, *row) for row in (_of_gains if kind in ("gains", "bands") else _of_states)(result, kind)]
    states = dict.fromkeys(state.name for result in comparison for state in result)
    return in_units(rows, COLUMNS[kind], units, states=list(states))


def _of_states(result: SideComparison, kind: str) -> Iterator[tuple[object, ...]]:
    """Yield the rows of one side's states, with the gain over the first."""
    totals = {gain.to: gain for gain in result.totals}
    for state in result.variants:
        total, mean = totals.get(state.name), state.mean_flow_m3_s
        if kind == "lifts":
            at = {item.lift_m: item for item in total.per_lift} if total else {}
            for lift, flow in zip(state.lifts_m, state.flow_m3_s, strict=True):
                g = at.get(lift)
                known = (g.gain, g.u95, g.low, g.high, g.resolved, g.interpolated) if g else (None,) * 6
                yield (state.name, lift, flow, *known)
        elif kind == "flows":
            runs = sum(port.runs for port in state.ports)
            yield (state.name, *result.range_m, mean, state.mean_flow_u95, state.peak_flow_m3_s, runs)
        elif kind == "ports":
            gained = {item.port: item for item in total.ports} if total else {}
            for port in state.ports:
                own = gained.get(port.label)
                gain = (own.mean_flow_gain, own.low, own.high) if own else (None,) * 3
                yield (state.name, port.head, port.port, port.runs, port.mean_flow_m3_s, *gain)


def _of_gains(result: SideComparison, kind: str) -> Iterator[tuple[object, ...]]:
    """Yield the rows of one side's gains, or of their bands of lift."""
    for gain in result.gains:
        if kind == "bands":
            for b in gain.bands:
                yield (gain.from_, gain.to, b.name, b.from_m, b.to_m, b.gain, b.low, b.high)
        else:
            low, high = gain.mean_flow_gain_low, gain.mean_flow_gain_high
            yield (
                gain.from_, gain.to, gain.kind, gain.mean_flow_gain, gain.mean_flow_gain_u95, low, high, gain.at_least,
                gain.resolved, gain.attributable, ", ".join(gain.changed), gain.share_of_total,
                gain.expected_from_geometry,
            )  # fmt: skip


COLUMNS: dict[str, tuple[str, ...]] = {
    "lifts": ("side", "state", "lift_m", "flow_m3_s", "gain", "u95", "low", "high", "resolved", "interpolated"),
    "flows": ("side", "state", "from_lift_m", "to_lift_m", "mean_flow_m3_s", "u95", "peak_flow_m3_s", "runs"),
    "gains": (
        "side", "from", "to", "kind", "gain", "u95", "low", "high", "at_least", "resolved", "attributable", "changed",
        "share_of_total", "expected",
    ),
    "ports": ("side", "state", "head", "port", "runs", "mean_flow_m3_s", "gain", "low", "high"),
    "bands": ("side", "from", "to", "band", "from_lift_m", "to_lift_m", "gain", "low", "high"),
    "findings": ("rule", "severity", "where", "message"),
}  # fmt: skip
"""The tables of a comparison."""
_DTYPES = {
    "string": (
        "file", "sheet", "head", "port", "date", "bench", "operator", "error", "rule", "severity", "where", "message",
        "changed", "band", "test", "source", "variant",
    ),
    "Float64": ("gain", "u95", "low", "high", "share_of_total", "at_least", "expected", "value"),
    "boolean": ("interpolated", "resolved", "attributable"),
    "Int64": ("run", "runs"),
}  # fmt: skip
_DTYPE_OF = {name: dtype for dtype, names in _DTYPES.items() for name in names}
_QUANTITIES = {"_m3_s": "flow", "_pa": "pressure", "_m": "length"}


def in_units(
    rows: Sequence[Mapping[str, Any] | Sequence[Any]], columns: Sequence[str], units: str, *, states: Sequence[str] = ()
) -> pd.DataFrame:
    """Return rows in SI as a frame: columns renamed to their units, nullable types, states as ordered categories.

    ``df.attrs["units"]`` says the unit of each column.
    """
    import pandas as pd

    if units not in UNITS:
        raise FlowkitError(f"there are no units {units!r}", "ask for " + ", ".join(map(repr, UNITS)))
    frame = pd.DataFrame(rows, columns=list(columns))
    renamed, shown = {}, {}
    for name in columns:
        ending = next((ending for ending in _QUANTITIES if name.endswith(ending)), None)
        if ending is not None:
            unit = UNITS[units][_QUANTITIES[ending]]
            in_unit = [None if pd.isna(v) else from_si(float(v), unit) for v in frame[name]]
            frame[name] = pd.array(in_unit, dtype="Float64")
            suffix = unit.replace("/", "_per_").replace("³", "3")
            renamed[name] = name if units == "SI" else f"{name.removesuffix(ending)}_{suffix}"
            shown[renamed[name]] = unit
        elif name in _DTYPE_OF:
            frame[name] = frame[name].astype(_DTYPE_OF[name])
            if _DTYPE_OF[name] == "Float64" and name != "value":
                shown[name] = "1"
        elif name in ("state", "from", "to") and states:
            frame[name] = pd.Categorical(frame[name], categories=list(states), ordered=True)
        elif name == "side":
            frame[name] = pd.Categorical(frame[name], categories=list(SIDES), ordered=True)
    frame = frame.rename(columns=renamed)
    frame.attrs["units"] = shown
    return frame
