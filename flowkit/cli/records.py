"""``flowkit records``: the shop's own years of tests."""

from __future__ import annotations

import csv
import os
import re
import sys
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from flowkit.cli.common import JsonOption, Verb, complain, failure_as_document, print_document, progress_bar, show, verb
from flowkit.errors import UnitError
from flowkit.output import document, jsonable
from flowkit.units import from_si, parse_quantity

if TYPE_CHECKING:
    from flowkit.records.bench import BenchHistory
    from flowkit.records.rank import SideRank

RecordsFile = Annotated[
    Path | None, typer.Option("--records", metavar="FILE", help="The records file (default: your own).")
]
Workers = Annotated[
    int | None, typer.Option("--workers", min=1, help="Processes that read sheets (default: one per core).")
]
Display = Annotated[Literal["US", "metric"], typer.Option("--display", help="Units shown.")]


app = typer.Typer(
    help="The shop's own years of tests: kept, searched, and put to use.",
    epilog="Example: flowkit records add job.toml",
    no_args_is_help=True,
)


def add(
    paths: Annotated[list[Path], typer.Argument(metavar="JOB.toml | FOLDER…", help="Jobs, sheets or folders.")],
    *,
    records: RecordsFile = None,
    workers: Workers = None,
    as_json: JsonOption = False,
) -> int:
    """Add jobs, or whole folders of sheets with all their subfolders. What is there already is left as it is.

    Exit status 1 where something could not be read; the rest is added all the same.
    """
    from flowkit.job.record import add_to_records
    from flowkit.records.store import Store

    with Store(records, write=True) as store, progress_bar("read") as progress:
        done = list(add_to_records(store, paths, workers=workers or os.cpu_count() or 1, progress=progress))
    return _said(done, store.path, as_json)


def _said(done: Any, path: Path, as_json: bool) -> int:
    """Say what became of each job and sheet."""
    bad = [item for item in done if item.status == "not read"]
    if as_json:
        rows = [{"path": str(item.path), "status": item.status, "message": item.message} for item in done]
        print_document(document("records", {"file": str(path), "entries": rows}))
    else:
        words = {"added": "added", "unchanged": "already there", "left out": "left out", "not read": "not read"}
        count = {status: sum(item.status == status for item in done) for status in words}
        parts = [f"{count[status]} {word}" for status, word in words.items() if count[status] or status == "added"]
        show(", ".join(parts) + f": {path}")
        show(*_left_out(done))
    for item in bad:
        complain(item.message)
    return int(bool(bad))


def _left_out(done: Any) -> list[str]:
    """What was left out, files of one reason together."""
    why: dict[str, list[str]] = {}
    for item in done:
        if item.status == "left out":
            reason = item.message.removeprefix(f"{item.path.name}: ").removeprefix(f"{item.path}: ")
            why.setdefault(reason, []).append(f"{item.path.parent.name}/{item.path.name}")
    lines = []
    for reason, names in why.items():
        more = f" and {len(names) - 3} more" if len(names) > 3 else ""
        lines.append(f"left out: {', '.join(names[:3])}{more}: {reason}")
    return lines


def find(
    text: Annotated[list[str] | None, typer.Argument(metavar="WORDS…", help="Words that must all appear.")] = None,
    *,
    job: Annotated[str | None, typer.Option("--job", help="The job's number.")] = None,
    side: Annotated[Literal["intake", "exhaust"] | None, typer.Option("--side", help="Side.")] = None,
    head: Annotated[str | None, typer.Option("--head", help="The head's name.")] = None,
    state: Annotated[str | None, typer.Option("--state", help="The state's name.")] = None,
    customer: Annotated[str | None, typer.Option("--customer", help="Customer.")] = None,
    bench_name: Annotated[str | None, typer.Option("--bench", help="Bench.")] = None,
    operator: Annotated[str | None, typer.Option("--operator", help="Operator.")] = None,
    since: Annotated[str | None, typer.Option("--since", metavar="DATE", help="From 2024-03-31 or 2024 on.")] = None,
    until: Annotated[str | None, typer.Option("--until", metavar="DATE", help="Up to this day or year.")] = None,
    valve: Annotated[
        str | None, typer.Option("--valve", metavar="SIZE", help='Valve head, "38 mm" or "36-40 mm".')
    ] = None,
    bore: Annotated[str | None, typer.Option("--bore", metavar="SIZE", help="Fixture bore, in the same form.")] = None,
    most: Annotated[int, typer.Option("--most", min=1, help="Rows shown; --json and --csv give all.")] = 40,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print comma-separated rows in SI units.")] = False,
    display: Display = "US",
    records: RecordsFile = None,
    as_json: JsonOption = False,
) -> int:
    """Find recorded tests."""
    from flowkit.records.query import COLUMNS
    from flowkit.records.query import find as find_tests
    from flowkit.records.store import Store

    wanted = {
        "job": job, "side": side, "head": head, "state": state, "customer": customer, "bench": bench_name,
        "operator": operator, "since": since, "until": until, "valve_m": _size(valve), "bore_m": _size(bore),
    }  # fmt: skip
    everything = as_json or as_csv
    with Store(records) as store:
        found = find_tests(store, " ".join(text or ()), limit=None if everything else most, **wanted)
    if as_json:
        rows = [dict(zip(COLUMNS, row, strict=True)) for row in found.rows]
        print_document(document("records", {"tests": rows}))
    elif as_csv:
        writer = csv.writer(sys.stdout, lineterminator="\n")
        writer.writerows([COLUMNS, *found.rows])
    else:
        _show_found(found.rows, found.total, display)
    return 0


def _show_found(rows: Any, total: int, display: str) -> None:
    """Print what was found as a table that fits the terminal."""
    from flowkit.records.query import COLUMNS

    if not rows:
        show("No recorded test matches.")
        return
    unit, size = ("CFM", "in") if display == "US" else ("L/s", "mm")
    lines = [("date", "job", "state", "side", "port", "run", f"valve {size}", f"mean {unit}")]
    for row in rows:
        one = dict(zip(COLUMNS, row, strict=True))
        valve = f"{from_si(one['valve_m'], size):.{3 if size == 'in' else 1}f}" if one["valve_m"] else ""
        mean = f"{from_si(one['mean_flow_m3_s'], unit):.1f}" if one["mean_flow_m3_s"] else ""
        job = one["job"] or one["title"] or Path(one["file"] or "").stem
        lines.append(
            (one["date"] or "", job, one["state"], one["side"] or "", one["port"] or "", str(one["run"]), valve, mean)
        )
    limits = (10, 12, 20, 7, 5, 3, 8, 8)
    cut = [[_short(cell, limit) for cell, limit in zip(line, limits, strict=True)] for line in lines]
    widths = [max(len(line[column]) for line in cut) for column in range(len(limits))]
    for line in cut:
        cells = [c.rjust(w) if at >= 5 else c.ljust(w) for at, (c, w) in enumerate(zip(line, widths, strict=True))]
        show("  ".join(cells).rstrip())
    more = f", {total - len(rows)} more (--most, --csv or --json)" if total > len(rows) else ""
    show(f"{total} tests{more}")


def _short(text: str, most: int) -> str:
    """Cut a text where it is too long for its column."""
    return text if len(text) <= most else text[: most - 1] + "…"


def rank(
    job: Annotated[Path, typer.Argument(metavar="JOB.toml", help="A job file.")],
    *,
    within: Annotated[
        float, typer.Option("--within", min=0.1, max=50, help="How much a similar valve may differ, in percent.")
    ] = 10.0,
    picture: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="FILE", help="Draw it: PNG, SVG or PDF.")
    ] = None,
    records: RecordsFile = None,
    as_json: JsonOption = False,
) -> int:
    """Say where this head is among recorded heads with like valves: flow over valve area, and coefficient."""
    from flowkit.job import Job
    from flowkit.records.rank import draw_rank
    from flowkit.records.rank import rank as rank_head
    from flowkit.records.store import Store

    loaded = Job.load(job)
    variants, findings = loaded.read()
    corrected, variants = loaded._correct(variants, findings)
    errors = [finding for finding in corrected.findings if finding.severity == "error"]
    for finding in errors:
        complain(f"{finding.where}: {finding.message}")
    with Store(records or loaded.records) as store:
        sides = rank_head(store, variants, jsonable(loaded.reference), but_for=str(job.resolve()), within=within / 100)
    if picture is not None:
        draw_rank(sides, picture, title=loaded.info.title or job.stem, display=loaded.info.display)
    if as_json:
        print_document(document("records", {"rank": jsonable(sides), "findings": jsonable(corrected.findings)}))
        return int(bool(errors))
    for side in sides:
        show(*_rank_lines(side, loaded.info.display))
    if picture is not None:
        show(f"wrote {picture}")
    return int(bool(errors))


def _rank_lines(side: SideRank, display: str) -> list[str]:
    """Say one side's places in words and a small table."""
    from flowkit.records.rank import ENOUGH

    if side.valve_m is None:
        return [f"{side.side.capitalize()}: the valve's diameter is not stated, so there is nothing to compare with."]
    unit, digits = ("in", 3) if display == "US" else ("mm", 1)
    low, high = (f"{from_si(size, unit):.{digits}f}" for size in (side.low_m, side.high_m))
    others = f"{side.heads} other head{'' if side.heads == 1 else 's'} ({side.states} states)"
    lines = [f"{side.side.capitalize()}: among {others} with valves of {low} to {high} {unit}"]
    if side.heads < ENOUGH:
        return [*lines, f"  Too few to rank: {ENOUGH} heads are needed, the records have {side.heads}."]
    for places, name in ((side.flow, "flow over valve area"), (side.coefficient, "coefficient on the minimum area")):
        if not places:
            lines.append(f"  {name}: the valve's and seat's dimensions are not stated")
            continue
        ratios = sorted({place.ratio for place in places})
        lines.append(f"  {name}: share of the others that flow less, percent")
        lines.append("  " + "lift/valve".ljust(22) + "".join(f"{ratio:8.2f}" for ratio in ratios))
        for state in dict.fromkeys(place.state for place in places):
            own = {place.ratio: place.percentile for place in places if place.state == state}
            shares = [own.get(ratio) for ratio in ratios]
            cells = "".join(" " * 8 if share is None else f"{100 * share:8.0f}" for share in shares)
            lines.append("  " + _short(state, 21).ljust(22) + cells)
    return lines


def bench(
    name: Annotated[
        str | None, typer.Argument(metavar="BENCH", help="The bench's name (default: the busiest one).")
    ] = None,
    *,
    operator: Annotated[str | None, typer.Option("--operator", help="This operator's readings only.")] = None,
    since: Annotated[str | None, typer.Option("--since", metavar="DATE", help="From this day on.")] = None,
    picture: Annotated[
        Path | None, typer.Option("-o", "--output", metavar="FILE", help="Draw the charts: PNG, SVG or PDF.")
    ] = None,
    records: RecordsFile = None,
    as_json: JsonOption = False,
) -> int:
    """Show the bench's own history: check plate, drift, leak, and how well runs repeat."""
    from flowkit.records.bench import bench_history, benches, draw_bench
    from flowkit.records.store import RecordsError, Store

    with Store(records) as store:
        known = benches(store)
        chosen = name if name is not None else (known[0] if known else None)
        if name is not None and name.strip().casefold() not in {(item or "").strip().casefold() for item in known}:
            hold = ", ".join(item or "tests without one" for item in known) or "no test"
            raise RecordsError(f"the records have no bench {name!r}", f"they have {hold}", file=str(store.path))
        history = bench_history(store, chosen, operator=operator, since=since)
    if picture is not None:
        draw_bench(history, picture)
    if as_json:
        print_document(document("records", {"bench": jsonable(history)}))
        return 0
    show(*_bench_lines(history))
    others = [str(item or "not named") for item in known if item != chosen]
    if others:
        show(f"Other benches: {', '.join(others)}")
    if picture is not None:
        show(f"wrote {picture}")
    return 0


def _bench_lines(history: BenchHistory) -> list[str]:
    """Say a bench's history in words."""
    from flowkit.records.bench import FEWEST, readings_text

    lines = [f"Bench: {history.bench or 'not named on the sheets'}"]
    chart = history.chart
    if chart is None:
        few = f"too few for a control chart ({FEWEST} are needed)"
        lines.append(f"Check plate: {readings_text(history.readings)}, {few}.")
    else:
        centre, low, high = (f"{100 * (value - 1):+.2f}" for value in (chart.centre, chart.low, chart.high))
        lines.append(
            f"Check plate: {history.readings} readings in {history.sessions} sessions, {history.dates[0]} to "
            f"{history.dates[-1]}; centre {centre} %, limits {low} to {high} %."
        )
        control = "In control now; it was out of control:" if history.spells else "In control throughout."
        if history.out_since:
            control = f"OUT OF CONTROL since {history.out_since}: look for what changed on the bench then."
        lines += [control, *_spell_lines(history)]
    if history.drift is not None:
        lines.append(f"Drift between sessions: {100 * history.drift:.2f} % (standard deviation).")
    if history.trend_per_year is not None:
        lines.append(f"Trend of the check plate: {100 * history.trend_per_year:+.2f} % a year.")
    if history.leak_trend_per_year is not None:
        lines.append(
            f"Leak: {100 * history.leaks[-1]:.2f} % of the flow at the lowest lift, "
            f"{100 * history.leak_trend_per_year:+.2f} % a year."
        )
    pooled = history.repeatability
    if pooled is None:
        return [*lines, "Repeatability: no repeated runs are recorded."]
    freedom = f"({pooled.degrees_of_freedom} degrees of freedom)"
    lines.append(f"Repeatability of a run: {100 * pooled.s:.2f} % {freedom}.")
    for title, rows in (("by operator", history.by_operator), ("by year", history.by_year)):
        if len(rows) > 1:
            lines.append(f"  {title} (standard deviation, degrees of freedom):")
            width = min(max(len(row.key) for row in rows), 30)
            lines += [
                f"    {_short(row.key, 30).ljust(width)}  {100 * row.s:5.2f} %  {row.degrees_of_freedom:4d}"
                for row in rows[-12:]
            ]
    return lines


def _spell_lines(history: BenchHistory) -> list[str]:
    """List the stretches outside the limits: where there are many, those farthest out."""
    chart, most = history.chart, 8

    def farthest(spell: tuple[str, str]) -> float:
        """How far a stretch is from the centre at most."""
        values = zip(history.dates, chart.values if chart else (), strict=True)
        inside = [abs(value - chart.centre) for date, value in values if chart and spell[0] <= date <= spell[1]]
        return max(inside, default=0.0)

    shown = sorted(sorted(history.spells, key=farthest)[-most:])
    lines = [f"  {first}" + (f" to {last}" if last != first else "") for first, last in shown]
    more = len(history.spells) - len(shown)
    return [*lines, f"  and {more} more, less far out"] if more else lines


def export(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where the data set goes; a new folder.")],
    *,
    records: RecordsFile = None,
) -> int:
    """Write all recorded tests as a Parquet data set, by year and bench, for pandas, DuckDB or Spark."""
    from flowkit.records.query import export as export_all
    from flowkit.records.store import Store

    with Store(records) as store, progress_bar("tests") as progress:
        tests, points = export_all(store, folder, progress=progress)
    show(f"wrote {tests} tests and {points} points: {folder}")
    return 0


def _size(text: str | None) -> float | tuple[float, float] | None:
    """Read a size or a range of sizes [m]."""
    if text is None:
        return None
    ends = re.fullmatch(r"\s*([\d.,]+)\s*(?:-|–|to)\s*(.+)", text)
    try:
        if ends is None:
            return parse_quantity(text, "length")
        unit = re.sub(r"^[\d.,\s]+", "", ends[2])
        low, high = sorted((parse_quantity(f"{ends[1]} {unit}", "length"), parse_quantity(ends[2], "length")))
        return low, high
    except UnitError as error:
        raise typer.BadParameter(f"{text!r}: {error.problem}") from error


def rebuild(
    folders: Annotated[list[Path] | None, typer.Argument(metavar="FOLDER…", help="Where else to look.")] = None,
    *,
    records: RecordsFile = None,
    workers: Workers = None,
    as_json: JsonOption = False,
) -> int:
    """Rebuild the records file from the sheets it knows of; the old file is kept beside it."""
    from flowkit.job.record import rebuild as rebuild_file
    from flowkit.records.store import default_file

    path = records or default_file()
    with progress_bar("read") as progress:
        done = rebuild_file(path, folders or [], workers=workers or os.cpu_count() or 1, progress=progress)
    return _said(done, path, as_json)


def _failing_in_json(function: Verb) -> Verb:
    """A verb that with ``--json`` prints its failure as a document too."""

    @wraps(function)
    def run(*args: Any, **options: Any) -> int:
        with failure_as_document("records", {}, wanted=bool(options.get("as_json"))):
            return function(*args, **options)

    return run


for _function in (add, find, rank, bench, export, rebuild):
    app.command(_function.__name__)(verb(_failing_in_json(_function)))
