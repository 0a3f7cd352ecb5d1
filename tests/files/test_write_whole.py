"""Output files arrive whole, all together, or not at all."""

import errno
from pathlib import Path

import pytest

from covermap.errors import Ask, OutputError, TrackError
from covermap.files.write_whole import whole_files


def content(folder):
    return {file.name: file.read_text() for file in folder.iterdir()}


def test_files_arrive_and_the_temporary_folder_goes(tmp_path):
    out = tmp_path / "a" / "b"
    with whole_files(out) as folder:
        assert folder.is_relative_to(out)
        (folder / "one.txt").write_text("1")
        (folder / "summary.json").write_text("{}")
        assert not (out / "one.txt").exists()
    assert content(out) == {"one.txt": "1", "summary.json": "{}"}


def test_a_rerun_replaces_its_own_files_only(tmp_path):
    (tmp_path / "mine.txt").write_text("a person's own")
    (tmp_path / "one.txt").write_text("old")
    with whole_files(tmp_path) as folder:
        (folder / "one.txt").write_text("new")
    assert content(tmp_path) == {"mine.txt": "a person's own", "one.txt": "new"}


@pytest.mark.parametrize("error", [TrackError("no"), KeyboardInterrupt()])
def test_any_exception_leaves_no_trace(tmp_path, error):
    out = tmp_path / "a" / "b"
    with pytest.raises(type(error)), whole_files(out) as folder:
        (folder / "one.txt").write_text("1")
        raise error
    assert list(tmp_path.iterdir()) == []


def test_an_exception_keeps_what_was_there(tmp_path):
    (tmp_path / "one.txt").write_text("old")
    with pytest.raises(ZeroDivisionError), whole_files(tmp_path) as folder:
        (folder / "one.txt").write_text("new")
        raise ZeroDivisionError
    assert content(tmp_path) == {"one.txt": "old"}


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "disk is full"),
        (errno.EACCES, "may not write"),
        (errno.EROFS, "read-only"),
        (errno.EIO, "made up"),
    ],
)
def test_trouble_while_writing_names_the_folder_and_the_way_out(tmp_path, number, words):
    out = tmp_path / "out"
    with pytest.raises(OutputError, match=words) as caught, whole_files(out):
        raise OSError(number, "made up")
    assert str(out) in str(caught.value)
    assert caught.value.asks == (Ask("out"),)
    assert not out.exists()


def test_no_right_to_make_the_folder(tmp_path, monkeypatch):
    def refuse(*args, **kwargs):
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr("tempfile.mkdtemp", refuse)
    with pytest.raises(OutputError, match="may not write"), whole_files(tmp_path / "out"):
        pytest.fail("must not get here")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("below", ["", "deeper"])
def test_a_file_where_the_folder_should_be(tmp_path, below):
    (tmp_path / "taken").write_text("mine")
    with pytest.raises(OutputError, match="is a file"), whole_files(tmp_path / "taken" / below):
        pytest.fail("must not get here")
    assert content(tmp_path) == {"taken": "mine"}


def test_a_folder_where_a_file_should_be(tmp_path):
    (tmp_path / "one.txt").mkdir()
    (tmp_path / "a.txt").write_text("old")
    with pytest.raises(OutputError, match="is a folder"), whole_files(tmp_path) as folder:
        (folder / "a.txt").write_text("new")
        (folder / "one.txt").write_text("1")
    assert (tmp_path / "a.txt").read_text() == "old"
    assert sorted(f.name for f in tmp_path.iterdir()) == ["a.txt", "one.txt"]


def record_moves(monkeypatch, fail_on=None):
    moves = []
    real = Path.replace

    def replace(self, target):
        if self.parent.name == "new":
            if self.name == fail_on:
                raise OSError(errno.ENOSPC, "No space left on device")
            moves.append(self.name)
        return real(self, target)

    monkeypatch.setattr(Path, "replace", replace)
    return moves


def test_the_summary_is_moved_last(tmp_path, monkeypatch):
    moves = record_moves(monkeypatch)
    with whole_files(tmp_path) as folder:
        for name in ("summary.json", "zebra.txt", "a.txt"):
            (folder / name).write_text(name)
    assert moves == ["a.txt", "zebra.txt", "summary.json"]


def test_trouble_half_way_through_moving_puts_all_back(tmp_path, monkeypatch):
    old = {"a.txt": "old a", "summary.json": "old summary"}
    for name, text in old.items():
        (tmp_path / name).write_text(text)
    record_moves(monkeypatch, fail_on="b.txt")
    with pytest.raises(OutputError, match="disk is full"), whole_files(tmp_path) as folder:
        for name in ("a.txt", "b.txt", "summary.json"):
            (folder / name).write_text("new")
    assert content(tmp_path) == old
