"""Outputs are whole or not there at all, and say plainly why not."""

from __future__ import annotations

from pathlib import Path

import pytest

from flowkit.output import OutputError, written_whole


def test_a_file_is_there_when_it_is_whole(tmp_path: Path) -> None:
    place = tmp_path / "new folder" / "a.txt"
    with written_whole(place) as draft:
        draft.write_text("half")
        assert not place.exists()
        draft.write_text("whole")
    assert place.read_text() == "whole"
    assert [path.name for path in place.parent.iterdir()] == ["a.txt"]
    assert place.stat().st_mode & 0o400


def test_a_failure_leaves_the_old_file_and_no_scraps(tmp_path: Path) -> None:
    place = tmp_path / "a.txt"
    place.write_text("old")
    with pytest.raises(ValueError, match="gone wrong"), written_whole(place) as draft:
        draft.write_text("new")
        raise ValueError("gone wrong")
    assert place.read_text() == "old"
    assert len(list(tmp_path.iterdir())) == 1


def test_a_full_disk_is_said_in_plain_words(tmp_path: Path) -> None:
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("this system has no /dev/full")
    with pytest.raises(OutputError, match=r"a\.txt cannot be written in .* \(No space left on device\)"):
        with written_whole(tmp_path / "a.txt"):
            full.write_text("x")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="cannot be written"), written_whole(tmp_path / "file" / "a.txt"):
        pass


def test_a_folder_made_for_a_file_that_fails_goes_again(tmp_path: Path) -> None:
    with pytest.raises(OutputError), written_whole(tmp_path / "new" / "a.txt"):
        raise OSError(28, "No space left on device")
    assert list(tmp_path.iterdir()) == []
