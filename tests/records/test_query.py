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
