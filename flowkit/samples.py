"""The invented sample job: where it lies and how it is copied."""

from __future__ import annotations

import contextlib
import shutil
from pathlib import Path

from flowkit.errors import JobError
from flowkit.output import OutputError, written_whole

_JOB = "job.toml"


def sample_folder() -> Path:
    """Return the folder of the invented sample sheets."""
    package = Path(__file__).parent
    # A wheel carries the samples inside the package; a checkout has them beside it.
    for folder in (package / "sample_sheets", package.parent / "sample_sheets"):
        if (folder / _JOB).is_file():
            return folder
    raise JobError("the sample sheets are missing from this installation", "install flowkit-bench again")


def sample_job() -> Path:
    """Return the sample job file.

    Examples
    --------
    >>> sample_job().name
    'job.toml'
    """
    return sample_folder() / _JOB


def copy_samples(folder: Path) -> Path:
    """Copy the sample job into a folder and return its job file."""
    samples = sorted(path for path in sample_folder().iterdir() if path.is_file())
    for path in samples:
        if (folder / path.name).exists():
            raise JobError(f"there is already a {path.name} in {folder}", "name a new or empty folder for the demo")
    copied: list[Path] = []
    try:
        for path in samples:
            with written_whole(folder / path.name) as draft:
                shutil.copyfile(path, draft)
            copied.append(folder / path.name)
    except OutputError:
        # All of them or none: what is left would block the next try.
        for path in copied:
            path.unlink(missing_ok=True)
        with contextlib.suppress(OSError):
            folder.rmdir()
        raise
    return folder / _JOB
