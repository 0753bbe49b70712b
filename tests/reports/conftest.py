from __future__ import annotations

import pytest

from flowkit.reports.contents import ReportContents
from tests.reports.invented import make_contents


@pytest.fixture(scope="session")
def contents() -> ReportContents:
    """The invented demo: four variants, four ports, ten lifts, both sides."""
    return make_contents()
