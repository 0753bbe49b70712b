"""What the corrections give: the document, the table, the drawing, and what is loaded for it."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from flowkit.corrections import CorrectionResult, correct
from flowkit.model import INH2O_PA, Conditions, Reference
from flowkit.version import __version__
from tests.corrections.samples import FLOWS, flow_test

RESULT = correct(
    [
        flow_test(test_pressure_pa=25 * INH2O_PA, fixture_bore_m=0.08, valve_diameter_m=0.038, leak_m3_s=0.0001),
        flow_test(name="a.csv!exhaust", side="exhaust", check_reading_m3_s=0.0625, check_nominal_m3_s=0.06),
    ]
)


def test_document_has_its_keys() -> None:
    document = json.loads(RESULT.to_json())
    assert document["kind"] == "correct"
    assert document["version"] == __version__
    assert set(document) == {"kind", "version", "reference", "tests", "findings"}
    assert set(document["reference"]) == {"pressure_pa", "bore_m", "air_density_kg_m3", "pressure_law"}
    test = document["tests"][0]
    assert set(test) >= {"id", "file", "sheet", "head", "variant", "side", "port", "run", "conditions", "units"}
    assert set(test["conditions"]) == set(Conditions().json_fields())
    assert set(test["points"][0]) == {"lift_m", "flow_m3_s", "pressure_pa", "source", "reading_m3_s"}
    assert test["points"][0]["reading_m3_s"] == FLOWS[0]
    assert test["points"][0]["flow_m3_s"] == RESULT.tests[0].points[0].flow_m3_s
    names = {"correction", "formula", "inputs", "factor", "offset_m3_s", "skipped"}
    assert all(set(item) == names for item in test["ledger"])
    leakage, air, _, pressure, _ = test["ledger"]
    assert leakage["offset_m3_s"] == [-0.0001] * 4
    assert leakage["factor"] is leakage["skipped"] is None
    assert air["factor"] is air["offset_m3_s"] is None
    assert len(pressure["factor"]) == 4
    (finding,) = document["findings"]
    assert finding["rule"] == "check-off"
    assert set(finding) == {"rule", "severity", "where", "message"}


def test_document_can_be_indented() -> None:
    assert json.loads(RESULT.to_json(indent=2)) == json.loads(RESULT.to_json())
    assert RESULT.to_json(indent=2).startswith('{\n  "kind": "correct"')


def test_table_has_a_row_per_point() -> None:
    table = RESULT.table()
    assert (
        list(table.columns)
        == (
            "test variant side port run lift_m reading_m3_s pressure_pa flow_m3_s "
            "flow_per_bore_area_m_s flow_per_valve_area_m_s source"
        ).split()
    )
    assert len(table) == 8
    assert list(table["flow_m3_s"]) == [point.flow_m3_s for test in RESULT.tests for point in test.points]
    first = table.iloc[0]
    assert first["flow_per_bore_area_m_s"] == pytest.approx(first["flow_m3_s"] / (3.14159265 * 0.04**2), rel=1e-8)
    assert first["flow_per_valve_area_m_s"] == pytest.approx(first["flow_m3_s"] / (3.14159265 * 0.019**2), rel=1e-8)
    assert table["flow_per_bore_area_m_s"].isna().tolist() == [False] * 4 + [True] * 4


def test_table_goes_by_the_engine_s_bore_where_it_is_known() -> None:
    test = flow_test(fixture_bore_m=0.08, valve_diameter_m=0.038)
    first = correct([test], Reference(bore_m=0.083)).table().iloc[0]
    assert first["flow_per_bore_area_m_s"] == pytest.approx(first["flow_m3_s"] / (3.14159265 * 0.0415**2), rel=1e-8)


def test_table_of_nothing_has_its_columns() -> None:
    table = CorrectionResult(RESULT.reference, (), ()).table()
    assert (len(table), "flow_m3_s" in table.columns) == (0, True)


def test_plot_draws_the_corrected_flows() -> None:
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot

    _, axes = pyplot.subplots()
    assert RESULT.plot(ax=axes) is axes
    assert axes.lines or axes.collections
    pyplot.close("all")


def test_heavy_packages_stay_out_until_they_are_needed() -> None:
    code = (
        "import sys; from flowkit.corrections import correct; from tests.corrections.samples import flow_test; "
        "correct([flow_test()]); "
        "print([name for name in ('scipy', 'pandas', 'matplotlib', 'openpyxl') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_moist_air_is_pure_python() -> None:
    code = "import sys, flowkit.air; print('numpy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
