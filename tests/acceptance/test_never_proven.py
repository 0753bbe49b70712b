"""Jobs made to trick the program into calling a difference proven that the work did not make.

Invented figures; the second state is the first one flowed again, larger only by what the trick adds. Everything the
sheets show must keep it from being proven, or at least from being put down to the work, and be named with the answer.
"""

from __future__ import annotations

import numpy as np
import pytest

LIFTS = tuple(range(1, 11))
DAY, LATER = "Date;2026-03-01", "Date;2026-03-22"


class Bench:
    """Draws runs of a port with a shift of 0.3 % and a scatter of 0.2 %."""

    def __init__(self, seed):
        self.rng = np.random.default_rng(seed)

    def run(self, factor=1.0, port=1, side="Intake"):
        true = 118 * np.tanh(np.array(LIFTS) / 5.5) * (0.72 if side == "Exhaust" else 1.0) * (1 + 0.006 * port)
        return true * factor * (1 + 0.003 * self.rng.standard_normal() + 0.002 * self.rng.standard_normal(10))

    def head(self, factor=1.0, runs=2, sides=("Intake",), ports=(1, 2, 3)):
        return {
            f"{side} {port} run {run}": self.run(factor, port, side)
            for side in sides
            for port in ports
            for run in range(1, runs + 1)
        }


def sheet(columns, *labels, unit="CFM", digits=1, lifts=LIFTS, pressure="28 inH2O"):
    rows = [
        ";".join([str(lift), *(f"{flows[at]:.{digits}f}" for flows in columns.values())])
        for at, lift in enumerate(lifts)
    ]
    heading = "Lift (mm);" + ";".join(f"{head} ({unit})" for head in columns)
    return "\n".join([f"Test pressure;{pressure}", *labels, "", heading, *rows]) + "\n"


def twice(before, after):
    """Return two labels, one for each state."""
    return lambda bench: (
        [sheet(bench.head(), DAY, before)],
        [sheet(bench.head(1.05), DAY, after)],
    )


def copied(change):
    """Return a state whose only repeat is its own sheet, changed in a way that a person changes a sheet."""

    def states(bench):
        found = []
        for factor in (1.0, 1.01):
            flows = np.round(bench.run(factor), 2)
            found.append([sheet({"Intake 1": flows}, DAY, digits=2), change(flows)])
        return tuple(found)

    return states


def typed_wrong(bench):
    after = bench.head(runs=1)
    after["Intake 2 run 1"][6] += 100
    return [sheet(bench.head(), DAY)], [sheet(after, DAY)]


def untouched(*labels, plates=("", "")):
    """Return an exhaust that was not worked on, flowed on both days, not in the same way, and a bench that drifted."""

    def states(bench):
        return tuple(
            [sheet(bench.head(factor), day), sheet(bench.head(sides=("Exhaust",)), day, *filter(None, (label, plate)))]
            for factor, day, label, plate in zip((1.0, 1.04), (DAY, LATER), labels, plates, strict=True)
        )

    return states


PLATE = "Check plate reading;208 CFM\nCheck plate nominal;200 CFM"

TRICKS = {
    "another operator": (twice("Operator;A", "Operator;B"), "operator"),
    "another bench": (twice("Bench;one", "Bench;two"), "bench"),
    "another fixture": (twice("Fixture bore;80 mm", "Fixture bore;86 mm"), "fixture bore"),
    "another entry": (twice("Entry fitting;radius plate", "Entry fitting;none"), "entry fitting"),
    "a check plate read for one state alone": (
        lambda bench: (
            [sheet(bench.head(), DAY)],
            [sheet(bench.head(), DAY, "Check plate reading;190 CFM", "Check plate nominal;200 CFM")],
        ),
        "check-plate correction",
    ),
    "a leak stated for one state alone": (
        lambda bench: ([sheet(bench.head(), DAY)], [sheet(bench.head(), DAY, "Leak;8 CFM")]),
        "leakage correction",
    ),
    "no dates": (lambda bench: ([sheet(bench.head())], [sheet(bench.head(1.05))]), "When were these flowed"),
    "a date on one state alone": (
        lambda bench: ([sheet(bench.head(), DAY)], [sheet(bench.head(1.05))]), "When were these flowed",
    ),
    "a reading typed wrong": (typed_wrong, "mistyped"),
    "a repeat that is a copy": (copied(lambda flows: sheet({"Intake 1": flows}, DAY, digits=2)), "copy"),
    "a copy in another unit": (
        copied(lambda flows: sheet({"Intake 1": flows * 0.4719474432}, DAY, unit="L/s", digits=3)), "copy",
    ),
    "a copy with fewer digits": (copied(lambda flows: sheet({"Intake 1": flows}, DAY, digits=1)), "copy"),
    "a copy with fewer lifts": (
        copied(lambda flows: sheet({"Intake 1": flows[1::2]}, DAY, digits=2, lifts=LIFTS[1::2])), "copy",
    ),
    "a copy worked out for another pressure": (
        copied(lambda flows: sheet({"Intake 1": flows * 0.5976143047}, DAY, digits=2, pressure="10 inH2O")),  # √(10/28)
        "copy",
    ),
    "an untouched side with another fitting": (untouched("Exit fitting;pipe", "Exit fitting;none"), "moved"),
    "an untouched side with another operator": (untouched("Operator;A", "Operator;B"), "moved"),
    "an untouched side with another valve": (untouched("Valve head;33 mm", "Valve head;35 mm"), "moved"),
    "an untouched side on another head": (untouched("Head;left", "Head;right"), "moved"),
    "an untouched side put right by a check plate": (untouched("", "", plates=("", PLATE)), "moved"),
}  # fmt: skip


@pytest.mark.parametrize("name", TRICKS)
def test_a_trick_is_not_called_proven_and_is_named(tell, name):
    make, word = TRICKS[name]
    states = make(Bench(sum(map(ord, name))))
    files, job = {}, ""
    exhaust = ', exhaust = { ports = "cast" }' if "untouched" in name else ""
    for letter, sheets in zip("ab", states, strict=True):
        files |= {f"{letter}{number}_csv": text for number, text in enumerate(sheets)}
        names = ", ".join(f'"{letter}{number}.csv"' for number in range(len(sheets)))
        job += f'[[variant]]\nname = "{letter}"\nsheets = [{names}]\n'
        job += f'state = {{ intake = {{ ports = "{letter}" }}{exhaust} }}\n'
    told = tell("compare", "job.toml", job_toml=job, **files)
    (gain,) = told.document["sides"]["intake"]["gains"]
    assert told.code == 0
    assert not gain["resolved"] and gain["at_least"] is None
    assert not any(row["resolved"] for row in gain["per_lift"])
    assert word in " ".join(told.document["sentences"])


def test_ports_flowed_on_two_days_are_not_called_uneven_for_sure(tell):
    bench = Bench(5)
    files, job = {}, ""
    for letter in "ab":
        files[f"{letter}1_csv"] = sheet(bench.head(ports=(1, 2)), DAY)
        files[f"{letter}2_csv"] = sheet(bench.head(0.93, ports=(3,)), LATER)
        job += f'[[variant]]\nname = "{letter}"\nsheets = ["{letter}1.csv", "{letter}2.csv"]\n'
    told = tell("compare", "job.toml", job_toml=job, **files)
    uneven = [item["message"] for item in told.document["findings"] if item["rule"] == "port-uneven"]
    assert len(uneven) == 2
    assert all("not known: the ports were flowed in different sessions" in message for message in uneven)
    assert "Lagging" not in " ".join(told.document["sentences"])


def test_a_port_listed_as_untouched_that_no_sheet_has_is_named(tell):
    bench = Bench(6)
    job = '[[variant]]\nname = "a"\nsheets = ["a.csv"]\n[[variant]]\nname = "b"\nsheets = ["b.csv"]\n'
    job += 'untouched = { intake = ["9"] }\n'
    told = tell("compare", "job.toml", job_toml=job, a_csv=sheet(bench.head(), DAY), b_csv=sheet(bench.head(), LATER))
    (found,) = [item for item in told.document["findings"] if item["rule"] == "unmatched-ports"]
    assert "lists intake port 9 as untouched" in found["message"]


def test_a_short_sheet_that_moves_the_headline_is_named(tell):
    bench = Bench(7)
    short = {name: flows[:6] for name, flows in bench.head(1.02).items()}
    job = "".join(f'[[variant]]\nname = "{letter}"\nsheets = ["{letter}.csv"]\n' for letter in "abc")
    told = tell(
        "compare", "job.toml", job_toml=job, a_csv=sheet(bench.head(), DAY), b_csv=sheet(short, DAY, lifts=LIFTS[:6]),
        c_csv=sheet(bench.head(1.05), DAY),
    )  # fmt: skip
    assert "'b' was measured over fewer lifts, so all intake means are taken over" in " ".join(
        told.document["sentences"]
    )
