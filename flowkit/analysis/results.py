"""What a comparison gives: frozen dataclasses whose field names are the result's keys.

Gains, spreads and u95 are fractions. A u95 is half the 95 % interval: relative for a
mean flow or an area, absolute for a gain or a spread; None where repeatability is not
known, so that it was not assessed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, ClassVar, Literal, NamedTuple, Protocol, TypeVar

from flowkit.errors import FlowkitError
from flowkit.model import CorrectedTest, Finding, ReferenceState, Side
from flowkit.result import Result

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from flowkit.analysis.areas import Coefficients
    from flowkit.analysis.curves import SideVariant
    from flowkit.analysis.frames import Curve
    from flowkit.analysis.metrics import MetricGain, MetricResult, Rule


@dataclass(frozen=True, slots=True)
class PortFlow:
    """One port of one variant: the mean of its corrected runs.

    Attributes
    ----------
    port : str
        Its name; "" where the sheets give none.
    head : str or None
    label : str
        What to call it: its name, with its head's where the side has several heads.
    curve_area_m4_s, mean_flow_m3_s : float
        Over the side's common range.
    runs : int
        Tests of this port.
    lifts_m, flow_m3_s : tuple of float
        Its measured lifts [m] and the mean of its runs there [m³/s].
    sources : tuple of tuple of str
        For each lift, the cells of the readings behind it.
    """

    port: str
    curve_area_m4_s: float
    mean_flow_m3_s: float
    runs: int
    lifts_m: tuple[float, ...]
    flow_m3_s: tuple[float, ...]
    sources: tuple[tuple[str, ...], ...]
    head: str | None = None
    label: str = ""

    def __post_init__(self) -> None:
        if not self.label:
            object.__setattr__(self, "label", self.port)


@dataclass(frozen=True, slots=True)
class PortLag:
    """A port that flows less than the mean of its variant, and where.

    Attributes
    ----------
    port : str
    below_mean : float
        In mean flow, relative.
    worst_lift_m, worst_below_mean : float or None
        Where it lags most [m] and by how much there, relative; None unless the test along the lift
        says that it lags there more than elsewhere.
    below_mean_u95 : float or None
        By how much the bench's scatter alone could set any of the ports off their mean, 95 times in a
        hundred; None where not assessed.
    beyond_scatter : bool or None
        Whether the ports' spread is larger than the bench's scatter; None where not assessed.
    """

    port: str
    below_mean: float
    worst_lift_m: float | None
    worst_below_mean: float | None
    below_mean_u95: float | None = None
    beyond_scatter: bool | None = None


@dataclass(frozen=True, slots=True)
class Band:
    """A band of lift and the mean flow in it."""

    name: Literal["low", "middle", "high"]
    from_m: float
    to_m: float
    mean_flow_m3_s: float


@dataclass(frozen=True, slots=True)
class VariantFlow:
    """One variant on one side, at the reference state, over the side's common range.

    Attributes
    ----------
    lifts_m, flow_m3_s : tuple of float
        Mean over the ports at every lift measured in any of them within all their ranges.
    flow_u95 : tuple of (float or None)
        Relative, per lift.
    curve_area_m4_s, mean_flow_m3_s, peak_flow_m3_s : float
        Area [m⁴/s] and mean [m³/s] over the common range; peak of `flow_m3_s`.
    mean_flow_u95, port_spread, port_spread_u95 : float or None
    ports : tuple of PortFlow
    coefficients : Coefficients or None
    effective_area_m2, minimum_area_m2 : tuple of float or None
        At `lifts_m`.
    takeover_lift_m : float or None
        Where the throat takes over from the seat.
    bands : tuple of Band
    lagging : PortLag or None
        The port that flows least, where the spread is worth naming (finding port-uneven).
    flow_per_bore_area_m_s, flow_per_valve_area_m_s : tuple of float or None
        At `lifts_m`, to compare heads of different size.
    port_velocity_m_s : tuple of float or None
        Mean port velocity at `lifts_m`, where the cross-section is known.
    """

    name: str
    lifts_m: tuple[float, ...]
    flow_m3_s: tuple[float, ...]
    flow_u95: tuple[float | None, ...]
    curve_area_m4_s: float
    mean_flow_m3_s: float
    mean_flow_u95: float | None
    peak_flow_m3_s: float
    port_spread: float | None
    port_spread_u95: float | None
    ports: tuple[PortFlow, ...]
    coefficients: Coefficients | None
    effective_area_m2: tuple[float, ...]
    minimum_area_m2: tuple[float, ...] | None
    takeover_lift_m: float | None
    bands: tuple[Band, ...]
    lagging: PortLag | None
    flow_per_bore_area_m_s: tuple[float, ...] | None
    flow_per_valve_area_m_s: tuple[float, ...] | None
    port_velocity_m_s: tuple[float, ...] | None

    def __repr__(self) -> str:
        return f"<VariantFlow of {self.name!r}: {len(self.lifts_m)} lifts, mean {self.mean_flow_m3_s:.5g} m³/s>"


class Named(Protocol):
    """What has a name."""

    @property
    def name(self) -> str:
        """The name."""


N = TypeVar("N", bound=Named)
G = TypeVar("G", bound="Gain | MetricGain")
S = TypeVar("S")


def by_name(items: Iterable[N], name: str) -> N:
    """Return the item of that name."""
    for item in items:
        if item.name == name:
            return item
    raise KeyError(name)


def found_gain(gains: Sequence[G], before: str, after: str) -> G:
    """Return the gain between two states, or say which there are."""
    for gain in gains:
        if (gain.from_, gain.to) == (before, after):
            return gain
    known = "; ".join(f"{gain.from_!r} to {gain.to!r}" for gain in gains) or "none"
    raise FlowkitError(f"there is no gain from {before!r} to {after!r}", f"there is {known}")


def found_state(states: Mapping[str, S], name: str) -> S:
    """Return what belongs to a state, or say which there are."""
    if name not in states:
        raise FlowkitError(f"there is no state {name!r}", "there is " + ", ".join(map(repr, states)))
    return states[name]


@dataclass(frozen=True, slots=True)
class LiftGain:
    """The gain at one lift; `u95`, `low` and `high` are for that lift alone, `resolved` for all lifts together."""

    lift_m: float
    gain: float
    u95: float | None
    interpolated: bool
    expected: float | None
    low: float | None = None
    high: float | None = None
    resolved: bool | None = None


@dataclass(frozen=True, slots=True)
class PortGain:
    """The gain of one port in mean flow."""

    port: str
    mean_flow_gain: float
    u95: float | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class BandGain:
    """The gain in mean flow of one band of lift."""

    name: Literal["low", "middle", "high"]
    from_m: float
    to_m: float
    gain: float
    u95: float | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Bound:
    """By how much a choice between models, or a measured drift, widens an interval below and above."""

    name: Literal["pressure-law", "bore-model", "drift"]
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Terms:
    """Standard uncertainties of ln(1 + g); drift None where nothing is known of it."""

    repeatability: float
    lift_setting: float
    check_plate: float
    drift: float | None
    pressure_reading: float
    resolution: float
    meter: float | None = None


@dataclass(frozen=True, slots=True)
class Gain:
    """What one variant gained over another.

    Attributes
    ----------
    from_, to : str
        Names of the variants.
    kind : {"step", "total", "step and total"}
        Against the variant before it, against the first, or both where they are the same.
    mean_flow_gain : float
        The headline: ratio of the mean flows − 1.
    mean_flow_gain_u95, mean_flow_gain_low, mean_flow_gain_high : float or None
        The 95 % interval with its bounds, and its longer arm.
    resolved : bool or None
        Whether the gain is proven: the interval excludes zero, the sessions do not differ
        unaccountably and bench and fittings are the same. None where not assessed.
    at_least : float or None
        The gain that is at least there, 95 % sure, signed; None unless resolved.
    smallest_resolvable : float or None
        The smallest gain that these data find with a chance of 80 %.
    basis : str or None
        What repeatability is known from: stated, runs, runs+ports, ports (with +history or history
        where the bench's records count).
    nu, nu_eff : float or None
        Degrees of freedom of the repeatability (0 where not assessed, None where stated) and of
        the combined uncertainty (None: infinite).
    drift_unknown : bool
        Sessions differ and nothing accounts for the bench's drift between them.
    resolved_if_drift_below : float or None
        The drift that would undo it, where drift alone is in the way.
    setup_differs : tuple of str
        What of bench, operator, fixture and fittings differs between the states.
    in_doubt : tuple of str
        What of the readings and corrections keeps it from being proven, in words.
    bounds : tuple of Bound
    terms : Terms or None
    differs_along_lift : bool or None
    not_assessed_because : str or None
        What would be needed, where the interval is None.
    mean_of_gains, gain_at_top_lift : float
    largest, smallest : LiftGain
        The largest and the smallest gain per lift.
    share_of_total : float or None
        A step's ln(1 + g)/ln(1 + g_total), where both are resolved and all steps have one sign.
    changed : tuple of str
        Factors whose level changed, and whatever else differs; a factor not declared on one side is
        in `unknown`.
    unknown : tuple of str
    unchanged : tuple of str
        Factors declared in both with the same level.
    attributable : bool
        Exactly one factor changed, nothing else differs and none is unknown.
    matched_ports : tuple of str
        The ports compared like with like; empty where none match.
    expected_from_geometry : float or None
    per_lift : tuple of LiftGain
    ports : tuple of PortGain
    bands : tuple of BandGain
    law_difference : float or None
        Largest difference of the two pressure laws in this gain, where it was tested at
        different pressures.
    sessions : tuple of str
        Days that differ, where the sessions do; "" for sheets without a date.
    one_more_run_u95, two_runs_u95 : float or None
        Half the interval to expect from one more run of every port of the state after, and from
        every port flowed twice in both states, where repeatability comes from runs.
    """

    from_: str
    to: str
    kind: Literal["step", "total", "step and total"]
    mean_flow_gain: float
    mean_flow_gain_u95: float | None
    resolved: bool | None
    not_assessed_because: str | None
    mean_of_gains: float
    gain_at_top_lift: float
    largest: LiftGain
    smallest: LiftGain
    share_of_total: float | None
    changed: tuple[str, ...]
    unknown: tuple[str, ...]
    attributable: bool
    matched_ports: tuple[str, ...]
    expected_from_geometry: float | None
    per_lift: tuple[LiftGain, ...]
    ports: tuple[PortGain, ...]
    bands: tuple[BandGain, ...]
    law_difference: float | None
    unchanged: tuple[str, ...] = ()
    mean_flow_gain_low: float | None = None
    mean_flow_gain_high: float | None = None
    at_least: float | None = None
    smallest_resolvable: float | None = None
    basis: str | None = None
    nu: float | None = 0.0
    nu_eff: float | None = None
    drift_unknown: bool = False
    resolved_if_drift_below: float | None = None
    setup_differs: tuple[str, ...] = ()
    in_doubt: tuple[str, ...] = ()
    bounds: tuple[Bound, ...] = ()
    terms: Terms | None = None
    differs_along_lift: bool | None = None
    sessions: tuple[str, ...] = ()
    one_more_run_u95: float | None = None
    two_runs_u95: float | None = None

    def __repr__(self) -> str:
        from flowkit.wording import gain_text

        said = gain_text(
            self.mean_flow_gain, self.mean_flow_gain_u95, self.mean_flow_gain_low, self.mean_flow_gain_high
        )
        state = {True: "proven", False: "not proven", None: "not assessed"}[self.resolved]
        return f"<Gain from {self.from_!r} to {self.to!r}: {said}, {state}>"

    @property
    def beyond_scatter(self) -> bool | None:
        """Whether the interval excludes zero, whatever else is in the way; None where not assessed."""
        if self.mean_flow_gain_low is None or self.mean_flow_gain_high is None:
            return None
        return self.mean_flow_gain_low > 0 or self.mean_flow_gain_high < 0


@dataclass(frozen=True, slots=True)
class Interaction:
    """Main effects and interaction of two factors, natural logarithms of flow ratios.

    Attributes
    ----------
    factors : tuple of two str
    main_effects : tuple of two floats
    interaction : float
    main_effects_u95, interaction_u95 : tuple of two floats and float, or None
        Half their 95 % intervals; None where not assessed.
    """

    factors: tuple[str, str]
    main_effects: tuple[float, float]
    interaction: float
    main_effects_u95: tuple[float, float] | None = None
    interaction_u95: float | None = None


@dataclass(frozen=True, slots=True)
class RatioPoint:
    """Exhaust flow over intake flow at one lift, or at one fraction of peak lift."""

    variant: str
    at: float
    ratio: float


@dataclass(frozen=True, slots=True)
class Repeatability:
    """The bench's own scatter: relative standard deviation of a run's mean flow, and its degrees of freedom.

    Attributes
    ----------
    s_r : float or None
        Shift of the run and scatter of its points together; None where nothing is known of it.
    degrees_of_freedom : float or None
        Infinite where stated.
    source : str
        "repeated runs", "ports" (the same ports in several states), "repeated runs and ports",
        "stated", "history" or "none".
    runs_degrees_of_freedom : float or None
        Σ(runs − 1) over the repeated ports.
    lift_setting_m : float or None
        The shop's own standard uncertainty of a lift setting, as the scatter at steep and at flat
        parts of the curves allows it [m].
    stated : float or None
        What the job states, whether it counts or not.
    """

    s_r: float | None
    degrees_of_freedom: float | None
    source: Literal["repeated runs", "ports", "repeated runs and ports", "stated", "history", "none"]
    runs_degrees_of_freedom: float | None = None
    lift_setting_m: float | None = None
    stated: float | None = None


@dataclass(frozen=True, slots=True)
class SideComparison:
    """All variants and gains of one side.

    Attributes
    ----------
    range_m : tuple of two floats
        The common range of lifts [m].
    variants : tuple of VariantFlow
    gains : tuple of Gain
        Each against the first, and each against the one before it.
    interactions : tuple of Interaction
    """

    range_m: tuple[float, float]
    variants: tuple[VariantFlow, ...]
    gains: tuple[Gain, ...]
    interactions: tuple[Interaction, ...] = ()

    def gain(self, before: str, after: str) -> Gain:
        """Return the gain between two states: the baseline or the one before to any other."""
        return found_gain(self.gains, before, after)

    def __iter__(self) -> Iterator[VariantFlow]:
        """Go through the states."""
        return iter(self.variants)

    def variant(self, name: str) -> VariantFlow:
        """Return the variant of that name."""
        return found_state({variant.name: variant for variant in self.variants}, name)

    def __repr__(self) -> str:
        names = ", ".join(variant.name for variant in self.variants)
        low, high = (lift * 1e3 for lift in self.range_m)
        return f"<SideComparison of {names}: {low:g} to {high:g} mm, {len(self.gains)} gains>"

    def _repr_html_(self) -> str:
        """Show the gains as a table in a notebook."""
        from flowkit.drawing.notebook import gains_html

        return gains_html(self)

    @property
    def steps(self) -> tuple[Gain, ...]:
        """Each variant against the one before it."""
        return tuple(gain for gain in self.gains if gain.kind != "total")

    @property
    def totals(self) -> tuple[Gain, ...]:
        """Each variant against the first."""
        return tuple(gain for gain in self.gains if gain.kind != "step")


class Inputs(NamedTuple):
    """What a comparison was made of, so that more can be asked of it."""

    sides: Mapping[Side, Sequence[SideVariant]]
    metric: Callable[[Rule, str | None, tuple[Side, ...]], MetricResult]


@dataclass(frozen=True, slots=True, repr=False)
class Comparison(Result):
    """Variants of a head compared, per side.

    Attributes
    ----------
    reference : ReferenceState
    sides : mapping
        Side to SideComparison; a side with no tests is absent.
    findings : tuple of Finding
    repeatability : Repeatability
    ratio_at_lift, ratio_at_fraction : tuple of RatioPoint
        Exhaust over intake at equal lift [m] and at equal fraction of peak lift.
    area_method : {"pchip", "trapezoid"}
    sentences : tuple of str
        In words, the most important first.
    parts : mapping
        The same sentences by what they are: headline, steps, doubts, next.
    tests : tuple of CorrectedTest
        What it was computed from.
    made_of : Inputs or None
        The curves of every side.

    Examples
    --------
    >>> from flowkit import compare
    >>> comparison = compare("sample_sheets/as_received.csv", "sample_sheets/after_work.xlsx")
    >>> comparison
    <Comparison of as received, seats recut, ports blended, slim-stem valves: intake and exhaust, ... findings>
    >>> gain = comparison["intake"].gain("seats recut", "ports blended")
    >>> gain.resolved, 0 < gain.mean_flow_gain_low < gain.mean_flow_gain < gain.mean_flow_gain_high
    (True, True)
    """

    kind: ClassVar[str] = "compare"
    reference: ReferenceState
    sides: Mapping[Side, SideComparison]
    findings: tuple[Finding, ...]
    repeatability: Repeatability
    ratio_at_lift: tuple[RatioPoint, ...] = ()
    ratio_at_fraction: tuple[RatioPoint, ...] = ()
    area_method: Literal["pchip", "trapezoid"] = "pchip"
    sentences: tuple[str, ...] = ()
    parts: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    tests: tuple[CorrectedTest, ...] = field(default=(), metadata={"json": False})
    made_of: Inputs | None = field(default=None, compare=False, metadata={"json": False})

    def inputs(self) -> Inputs:
        """Return what it was made of."""
        if self.made_of is None:
            raise FlowkitError("this comparison was put together by hand", "use what compare returns")
        return self.made_of

    def __getitem__(self, side: str) -> SideComparison:
        """Return one side's comparison: ``comparison["intake"]``."""
        if side not in self.sides:
            known = ", ".join(repr(item) for item in self.sides)
            raise FlowkitError(f"nothing was compared on the side {side!r}", f"there is {known}")
        return self.sides[side]  # type: ignore[index]

    def __iter__(self) -> Iterator[SideComparison]:
        """Go through the sides."""
        return iter(self.sides.values())

    def __len__(self) -> int:
        return len(self.sides)

    def __repr__(self) -> str:
        states = {variant.name: None for side in self for variant in side.variants}
        return f"<Comparison of {', '.join(states)}: {' and '.join(self.sides)}, {len(self.findings)} findings>"

    def table(
        self,
        kind: Literal["lifts", "flows", "gains", "ports", "bands", "findings"] = "lifts",
        units: Literal["SI", "US", "metric"] = "SI",
    ) -> pd.DataFrame:
        """Return one of its tables.

        Parameters
        ----------
        kind : {"lifts", "flows", "gains", "ports", "bands", "findings"}
            A row for each lift, state, gain, port, band of lift or finding.
        units : {"SI", "US", "metric"}

        Returns
        -------
        pandas.DataFrame
            Nullable types; sides and states as ordered categories; units at the end of the columns' names
            and in ``df.attrs["units"]``. Gains are fractions.
        """
        from flowkit.analysis.frames import table_of

        return table_of(self, kind, units)

    def curve(self, side: Side, state: str, port: str | None = None) -> Curve:
        """Return a state's curve as a function of lift [m], of all its ports or of one.

        Parameters
        ----------
        side : {"intake", "exhaust"}
        state : str
        port : str, optional
        """
        from flowkit.analysis.frames import curve_of

        self[side]
        return curve_of(self, side, state, port)

    def metric(self, rule: Rule, *, name: str | None = None, side: Side | None = None) -> MetricResult:
        """Return a figure of your own with its 95 % interval, by the rule that holds for all figures.

        Parameters
        ----------
        rule : callable
            Gets the `Curve` of one port (lifts in m, flows in m³/s) and returns a number above zero. A state's figure
            is the mean over its ports.
        name : str, optional
            That of the function unless given.
        side : {"intake", "exhaust"}, optional
            One side only, where the rule makes no sense on the other.

        Returns
        -------
        MetricResult
            ``metric["intake"].gain("stock", "ported")``, ``metric["intake"].state("stock")``, ``metric.table()``.

        Raises
        ------
        FlowkitError
            If the rule fails on a port, or gives anything but a number above zero.

        Notes
        -----
        GUM (JCGM 100:2008), 5.1.3: how far each measured flow moves the figure comes from central differences. Where
        the figure is not proportional to the flows, a run counts with the sum of the magnitudes: a ratio of two
        flows of one curve is then not taken for exact because a run's common shift cancels in it.

        Examples
        --------
        >>> from flowkit import compare
        >>> comparison = compare("sample_sheets/as_received.csv", "sample_sheets/after_work.xlsx")
        >>> flat = comparison.metric(lambda curve: curve(0.009) / curve(0.005), name="top over middle", side="intake")
        >>> flat
        <Metric 'top over middle' of as received, seats recut, ports blended, slim-stem valves: intake>
        >>> gain = flat["intake"].gain("seats recut", "ports blended")
        >>> gain.low < gain.gain < gain.high
        True
        """
        if side is not None:
            self[side]
        return self.inputs().metric(rule, name, tuple(self.sides) if side is None else (side,))

    def _repr_html_(self) -> str:
        """Show the comparison as tables in a notebook."""
        from flowkit.drawing.notebook import comparison_html

        return comparison_html(self)

    def plot(
        self,
        ax: Axes | None = None,
        *,
        side: Side | None = None,
        label: str | Mapping[str, str] | None = None,
        color: str | Mapping[str, str] | None = None,
        errorbars: bool = False,
        display: Literal["US", "metric"] = "US",
    ) -> Axes:
        """Draw the lift-flow curves of every variant.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; otherwise a new figure that is not pyplot's: show it as ``ax.figure``.
        side : {"intake", "exhaust"}, optional
            One side only.
        label : str or mapping, optional
            What to call the lines, or state to label. Then no names are written at the curves' ends:
            ``ax.legend()`` shows them.
        color : str or mapping, optional
            One colour, or state to colour, as matplotlib knows them.
        errorbars : bool, optional
            Draw the 95 % interval of each point as a bar instead of a band.
        display : {"US", "metric"}, optional
            CFM over inches, or L/s over millimetres.

        Returns
        -------
        matplotlib.axes.Axes
            Each line carries its state's name as its label.

        Raises
        ------
        FlowkitError
            If there is nothing to draw, or a colour is not known.

        Examples
        --------
        >>> from flowkit import compare
        >>> comparison = compare("sample_sheets/as_received.csv", "sample_sheets/after_work.xlsx")
        >>> ax = comparison.plot(side="intake", label={"as received": "stock"}, errorbars=True, display="metric")
        >>> ax.get_legend_handles_labels()[1], ax.get_ylabel()
        (['stock', 'seats recut', 'ports blended', 'slim-stem valves'], 'flow, L/s')
        """
        from flowkit.drawing import plot_comparison

        return plot_comparison(self, ax=ax, side=side, display=display, label=label, color=color, errorbars=errorbars)
