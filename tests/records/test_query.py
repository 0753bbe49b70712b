"""Found by what is known of a test; a state of two years ago as today's baseline."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from flowkit import Job
from flowkit.cli.app import run
from flowkit.job.record import add_to_records
from flowkit.records.query import find, recorded_state
from flowkit.records.store import RecordsError, Store
from tests.records.shop import Shop, entries, write_job


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("records") / "shop.sqlite"
    with Store(file, write=True) as store:
        for entry in entries(Shop(3, years=2, heads_a_year=10)):
            store.add(entry)
    return file


def test_every_way_of_asking(shop: Path) -> None:
    with Store(shop) as store:
        rows = find(store).table()
        assert len(rows) == 20 * 20
        for column in ("side", "state", "customer", "bench", "operator"):
            value = rows[column].iloc[0]
            assert find(store, **{column: value.upper()}).total == int((rows[column] == value).sum()), column
        assert find(store, since="2016").total == int((rows["date"] >= "2016").sum()) == 200
        assert find(store, until="2015").total == 200
        assert find(store, since="2015-03-01", until="2015-03-31").total == int(
            rows["date"].between("2015-03-01", "2015-03-31").sum()
        )
        near = rows["valve_m"].between(0.036, 0.038)
        assert find(store, valve_m=(0.036, 0.038)).total == int(near.sum())
        assert find(store, "head 2015-003 blended").total == 10
        assert find(store, "100%").total == 0  # a sign of the search language is a letter like any other
        assert find(store, limit=7).total == 400 and len(find(store, limit=7).rows) == 7
        with pytest.raises(Exception, match="cannot be searched by 'colour'"):
            find(store, colour="red")


def test_the_command_prints_tables_json_and_csv(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ask = ["records", "find", "--records", str(shop), "--job", "2015-003", "--side", "intake"]
    assert run(ask) == 0
    out = capsys.readouterr().out
    assert out.splitlines()[-1] == "10 tests"
    assert max(map(len, out.splitlines())) <= 80
    assert run([*ask, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert (document["kind"], len(document["tests"])) == ("records", 10)
    assert run([*ask, "--csv"]) == 0
    assert len(capsys.readouterr().out.splitlines()) == 11
    assert run([*ask, "--valve", "36-38 furlong"]) == 2
    assert run(["records", "find", "--records", str(shop.with_name("none.sqlite"))]) == 1
    assert "there are no records yet; make them with: flowkit records add" in capsys.readouterr().err


def today(tmp_path: Path, sheets: str) -> Path:
    """A job of today whose baseline is what `sheets` says."""
    job = write_job(tmp_path / "today", "3000", date="2026-03-06", gain=1.2)
    text = job.read_text().replace('["before.csv"]', f'["{sheets}"]')
    job.write_text(text + '\n[records]\nfile = "../shop.sqlite"\n')
    return job


def test_a_recorded_state_is_todays_baseline_and_a_session_of_its_own(tmp_path: Path) -> None:
    file = tmp_path / "shop.sqlite"
    write_job(tmp_path / "old", "2417", date="2024-03-05")
    with Store(file, write=True) as store:
        list(add_to_records(store, [tmp_path / "old"]))
    job = today(tmp_path, "records:2417/as received")
    results = Job.load(job).run()
    gain = results.comparison.sides["intake"].gains[0]
    assert (gain.from_, gain.to) == ("as received", "ports blended")
    assert gain.mean_flow_gain == pytest.approx(0.2, abs=2e-3)
    notes = {finding.rule: finding.message for finding in results.findings}
    assert "flowed 2024-03-05: a session of its own" in notes["recorded-state"]
    assert {test.conditions.date for test in results.variants[0].tests} == {"2024-03-05"}
    assert results.variants[0].state["intake"] == {"ports": "as cast"}
    # A recorded state is not recorded again with the job that uses it.
    with Store(file, write=True) as store:
        assert [item.status for item in add_to_records(store, [job])] == ["added"]
        assert find(store, state="as received").total == 4


def test_a_sheet_that_was_added_without_a_job_is_a_baseline_too(tmp_path: Path) -> None:
    file = tmp_path / "shop.sqlite"
    (tmp_path / "old").mkdir()
    rows = "".join(f"{lift},{10 * lift}\n" for lift in (2, 4, 6, 8))
    text = "State,as received\nDate,2023-05-02\nTest pressure,28 inH2O\n\nLift (mm),Intake 1 (CFM)\n" + rows
    (tmp_path / "old" / "head 12.csv").write_text(text, encoding="utf-8")
    with Store(file, write=True) as store:
        list(add_to_records(store, [tmp_path / "old"]))
        found = recorded_state(store, "head 12/As received")
    assert (found.name, len(found.tests), found.of_job) == ("as received", 1, False)
    assert [point.flow_m3_s for point in found.tests[0].points] == pytest.approx(
        [10 * lift * 0.3048**3 / 60 for lift in (2, 4, 6, 8)]
    )
    results = Job.load(today(tmp_path, "records:head 12/as received")).read()
    said = {finding.message for finding in results[1] if finding.rule == "recorded-state"}
    assert any("its sheet was added without a job" in message for message in said)


@pytest.mark.parametrize(
    ("reference", "words"),
    [
        ("records:99/as received", "the records hold no job '99'; the last ones are 2417"),
        ("records:2417/no such", "the recorded job '2417' has no state 'no such'; it has as received, ports blended"),
        ("records:2417", "'2417' is not a recorded state; write \"records:job number/state\""),
    ],
)
def test_a_state_that_is_not_there(reference: str, words: str, tmp_path: Path) -> None:
    write_job(tmp_path / "old", "2417")
    with Store(tmp_path / "shop.sqlite", write=True) as store:
        list(add_to_records(store, [tmp_path / "old"]))
    with pytest.raises(RecordsError) as raised:
        Job.load(today(tmp_path, reference)).run()
    assert words in str(raised.value)


def test_two_jobs_of_one_number_are_not_chosen_from(tmp_path: Path) -> None:
    for folder in ("one", "two"):
        write_job(tmp_path / folder, "2417")
    with Store(tmp_path / "shop.sqlite", write=True) as store:
        list(add_to_records(store, [tmp_path]))
        with pytest.raises(RecordsError, match="several recorded jobs go by '2417'"):
            recorded_state(store, "2417/as received")
        assert recorded_state(store, "two/as received").tests  # by its folder


READINGS = (
    "State,{state}\nDate,{date}\nBench,home\nTest pressure,10 inH2O\nAir temperature,21 °C\nBarometer,1002 hPa\n"
    "Humidity,45 %\nLiquid temperature,20 °C\n\nLift (mm),Intake 1 manometer (mm),Intake 2 manometer (mm)\n"
    "2,41.5,42.5\n4,122.5,121.5\n6,180.1,182\n8,210.2,211\n"
)
METER = (
    '[meter]\nkind = "plate"\nhole = "{hole} mm"\ncoefficient = 0.61\nu_calibration = "1 %"\nplace = "chamber"\n'
    'manometer = {{ liquid = "water" }}\n'
)


def meter_job(folder: Path, number: str, *, hole: int, date: str, first: str = "", records: str = "") -> Path:
    """A job of one state on a manometer bench, after a recorded one where there is one."""
    folder.mkdir(parents=True)
    (folder / "a.csv").write_text(READINGS.format(state=number, date=date))
    path = folder / "job.toml"
    path.write_text(
        f'[job]\nnumber = "{number}"\n{records}{METER.format(hole=hole)}{first}'
        '[[variant]]\nname = "today"\nsheets = ["a.csv"]\nstate = { ports = "as cast" }\n'
    )
    return path


@pytest.mark.parametrize("hole", [40, 30])
def test_a_recorded_reading_goes_through_the_meter_it_was_taken_with(hole: int, tmp_path: Path) -> None:
    """The same readings through another meter of today's job: each state by its own meter, and their errors count."""
    old = meter_job(tmp_path / "old", "2417", hole=40, date="2024-03-01")
    with Store(tmp_path / "shop.sqlite", write=True) as store:
        list(add_to_records(store, [old]))
    first = '[[variant]]\nname = "before"\nsheets = ["records:2417/today"]\n'
    records = f'[records]\nfile = "{tmp_path / "shop.sqlite"}"\n[bench]\nrepeatability = "0.5 %"\n'
    path = meter_job(tmp_path / "new", "3000", hole=hole, date="2026-03-01", first=first, records=records)
    result = Job.load(path).run().comparison
    gain = result.sides["intake"].gains[0]
    assert gain.mean_flow_gain == pytest.approx((hole / 40) ** 2 - 1, abs=5e-4)
    # Calibration: 1 % of one meter cancels, of two it counts twice.
    assert gain.terms is not None
    assert gain.terms.meter == pytest.approx(0.0 if hole == 40 else 0.01 * 2**0.5, abs=1e-6)


def test_a_recorded_state_keeps_its_bench_s_air(tmp_path: Path) -> None:
    """A job of true volumes recorded: in a job whose bench says nothing of its air its flows stay corrected."""
    old = write_job(tmp_path / "old", "2417")
    for sheet in old.parent.glob("*.csv"):
        sheet.write_text("Air temperature,35 °C\nBarometer,950 hPa\nHumidity,30 %\n" + sheet.read_text())
    old.write_text(old.read_text() + '\n[bench]\nair = "actual"\n')
    own = {test.id: test for test in Job.load(old).correct().tests}
    with Store(tmp_path / "shop.sqlite", write=True) as store:
        list(add_to_records(store, [old]))
    found = Job.load(today(tmp_path, "records:2417/as received")).correct()
    recorded = [test for test in found.tests if test.id.startswith("records:")]
    assert recorded
    for test in recorded:
        was = own[test.id.partition(": ")[2]]
        assert [p.flow_m3_s for p in test.points] == pytest.approx([p.flow_m3_s for p in was.points], rel=1e-12)


def test_records_that_lost_a_meter_say_so(tmp_path: Path) -> None:
    old = meter_job(tmp_path / "old", "2417", hole=40, date="2024-03-01")
    with Store(tmp_path / "shop.sqlite", write=True) as store:
        list(add_to_records(store, [old]))
        store.connection.execute("UPDATE entries SET settings = NULL")
    first = '[[variant]]\nname = "before"\nsheets = ["records:2417/today"]\n'
    records = f'[records]\nfile = "{tmp_path / "shop.sqlite"}"\n[bench]\nrepeatability = "0.5 %"\n'
    path = meter_job(tmp_path / "new", "3000", hole=30, date="2026-03-01", first=first, records=records)
    found = Job.load(path).correct().findings
    assert any(f.rule == "records-unusable" and f.severity == "error" for f in found)
