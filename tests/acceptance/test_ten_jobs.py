"""Twelve invented jobs, each with the sentence that an honest metrologist would write under it.

Invented figures, no such head exists. What is asked is what the sentence claims and what it does not: a gain is
"at least" something only where repeats, days, bench and fittings bear it out.
"""

from __future__ import annotations

import math

import pytest

LIFTS = (1, 2, 3, 4, 5, 6, 7, 8, 9, 10)
NOISE = (1.3, -0.8, 0.4, -1.1, 0.9, -0.3, 0.7, -1.2, 0.2, -0.5)


def sheet(columns, *labels):
    """A sheet of columns (heading: factor); every column has its own scatter of about 0.2 %."""
    rows = []
    for at, lift in enumerate(LIFTS):
        flows = [
            f"{118 * math.tanh(lift / 5.5) * factor * (1 + 0.002 * NOISE[(at + 3 * number) % 10]):.2f}"
            for number, factor in enumerate(columns.values())
        ]
        rows.append(";".join([str(lift), *flows]))
    return "\n".join(["Test pressure;28 inH2O", *labels, "", "Lift (mm);" + ";".join(columns), *rows]) + "\n"


def ports(factor, runs=1, count=2):
    """Headings of intake ports with their factors, runs slightly apart."""
    return {
        f"Intake {port} run {run} (CFM)": factor * (1 + 0.01 * port) * (1 + 0.001 * run)
        for port in range(1, count + 1)
        for run in range(1, runs + 1)
    }


def exhaust(factor):
    """The same headings and factors on the exhaust."""
    return {head.replace("Intake", "Exhaust"): 0.7 * value for head, value in ports(factor, 2).items()}


DAY, LATER = "Date;2026-03-01", "Date;2026-03-22"
STATES = ('state = { ports = "cast" }', 'state = { ports = "cut" }')
OTHER = {"Intake 3 (CFM)": 1.0, "Intake 4 (CFM)": 1.05}

JOBS = {
    "all twice on one day": (
        sheet(ports(1.0, 2), DAY), sheet(ports(1.06, 2), DAY), "", STATES,
        True, ["flows 6.0 % ± ", "at least +5", "(95 % sure)", "ports alone changed"],
    ),
    "nothing repeated": (
        sheet(ports(1.0), DAY), sheet(ports(1.06), DAY), "", STATES,
        None, ["whether that is more than the bench's scatter is not known", "Next: flow at least one port of 'after'"],
    ),
    "no repeats, but four ports before and after": (
        sheet(ports(1.0, count=4), DAY), sheet(ports(1.06, count=4), DAY), "", STATES,
        True, ["at least +", "(95 % sure)"],
    ),
    "one repeat of one port": (
        sheet({"Intake 1 run 1 (CFM)": 1.0, "Intake 1 run 2 (CFM)": 1.004}, DAY), sheet({"Intake 1 (CFM)": 1.03}, DAY),
        "", STATES,
        False, ["no difference proven", "The two runs differ by 0.", "known only to between 0.45 and 32 times"],
    ),
    "three weeks apart": (
        sheet(ports(1.0, 2), DAY), sheet(ports(1.06, 2), LATER), "", STATES,
        False, ["larger than run-to-run scatter; holds unless the bench moved by more than 5",
                "Flowed on 1 March 2026 and 22 March 2026 without a check plate"],
    ),
    "three weeks apart, drift stated": (
        sheet(ports(1.0, 2), DAY), sheet(ports(1.06, 2), LATER), '[bench]\ndrift = "0.5 %"\n', STATES,
        True, ["at least +4", "(95 % sure)"],
    ),
    "sheets without dates": (
        sheet(ports(1.0, 2)), sheet(ports(1.06, 2)), "", STATES,
        False, ["When were these flowed? All on the same day?", "Next: put the dates these sheets were flowed"],
    ),
    "two operators": (
        sheet(ports(1.0, 2), DAY, "Operator;Ann"), sheet(ports(1.06, 2), DAY, "Operator;Bert"), "", STATES,
        False, ["larger than the scatter, but not proven: operator not the same",
                "Part of a difference may come from that"],
    ),
    "ports that do not match": (
        sheet(ports(1.0, 2), DAY), sheet(OTHER, DAY), "", STATES,
        False, ["they have no port in common, so the difference between ports is in it"],
    ),
    "a gain too small for the bench": (
        sheet(ports(1.0, 2), DAY), sheet(ports(1.0005, 2), DAY), "", STATES,
        False, ["no difference proven", "within the bench's scatter", "these tests would show a gain of"],
    ),
    "a loss": (
        sheet(ports(1.0, 2), DAY), sheet(ports(0.95, 2), DAY), "", STATES,
        True, ["flows 5.0 % ± ", " less than 'before'", "a loss of at least 4.", "(95 % sure)"],
    ),
    "three weeks apart, the exhaust untouched and flowed in both": (
        sheet({**ports(1.0, 2), **exhaust(1.0)}, DAY), sheet({**ports(1.06, 2), **exhaust(1.005)}, LATER), "",
        ('state = { intake = { ports = "cast" }, exhaust = { ports = "cast" } }',
         'state = { intake = { ports = "cut" }, exhaust = { ports = "cast" } }'),
        True, ["at least +5", "nothing is declared as changed, so it is the bench's own difference"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", JOBS)
def test_the_sentence_an_honest_metrologist_would_write(tell, name):
    before, after, bench, states, resolved, words = JOBS[name]
    job = bench + "".join(
        f'[[variant]]\nname = "{state}"\nsheets = ["{state}.csv"]\n{told}\n'
        for state, told in zip(("before", "after"), states, strict=True)
    )
    told = tell("compare", "job.toml", before_csv=before, after_csv=after, job_toml=job)
    assert told.code == 0
    (gain,) = told.document["sides"]["intake"]["gains"]
    text = " ".join(told.document["sentences"])
    assert gain["resolved"] is resolved
    assert [word for word in words if word not in text] == [], text
    assert ("(95 % sure)" in text) is bool(resolved)
    assert (gain["at_least"] is not None) is bool(resolved)
