"""Two runs into one folder: the second says so at once, and the lock dies with its holder."""

import errno
import os
import subprocess
import sys
from contextlib import contextmanager

import pytest

from covermap.cli import commands as cli
from covermap.cli.sample_command import write_sample
from covermap.errors import OutputError, TrackError
from covermap.files.folder_lock import LOCK_FILE, folder_lock, holds

CODE = (
    "import sys; from pathlib import Path\n"
    "from covermap.files.folder_lock import folder_lock\n"
    "with folder_lock(Path(sys.argv[1])):\n"
    "    print('held', flush=True); sys.stdin.read()\n"
)


@contextmanager
def held_by_another(folder):
    """Let another process hold the folder; kill it at the end."""
    with subprocess.Popen(
        [sys.executable, "-c", CODE, folder],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as holder:
        assert holder.stdout.readline() == "held\n"
        try:
            yield holder.pid
        finally:
            holder.kill()


@pytest.mark.parametrize("words", [("map",), ("plan",), ("range", "--repeats", "20")])
def test_a_second_run_into_one_folder_is_refused_before_it_works(
    words, tmp_path, monkeypatch, capsys
):
    source, out = write_sample(tmp_path / "field", "wheat"), tmp_path / "out"

    def run():
        monkeypatch.setattr(sys, "argv", ["covermap", *words, str(source), "--out", str(out)])
        code = 0
        try:
            cli.main()
        except SystemExit as end:
            code = end.code
        return code, capsys.readouterr()

    with held_by_another(out) as pid:
        with monkeypatch.context() as patch:
            patch.setattr(
                "covermap.field.whole_field.read_harvest", None
            )  # any work would be a fault
            code, said = run()
        assert code == 2
        assert f"Another run of covermap is writing to {out} (process {pid} on " in said.err
        assert "Wait until it has ended, or choose another folder (--out)." in said.err
        assert {file.name for file in out.iterdir()} == {LOCK_FILE, f"{LOCK_FILE}.json"}
    assert (out / LOCK_FILE).exists()  # left behind by the one that was killed
    code, said = run()
    assert code == 0, said.err
    assert not any(file.name.startswith(LOCK_FILE) for file in out.iterdir())
    assert len(list(out.iterdir())) > 1


def test_a_run_that_fails_leaves_no_folder(tmp_path):
    out = tmp_path / "a" / "b"
    with pytest.raises(TrackError), folder_lock(out):
        assert holds(out, "other") is False
        assert (out / LOCK_FILE).exists()
        raise TrackError("no")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_with_files_stays(tmp_path):
    out = tmp_path / "a"
    with folder_lock(out) as token:
        assert holds(out, token)
        (out / "result.txt").write_text("1")
    assert [file.name for file in out.iterdir()] == ["result.txt"]


@pytest.mark.parametrize(
    ("number", "words"), [(errno.ENOLCK, "cannot lock files"), (errno.EROFS, "read-only")]
)
def test_a_disk_without_locks_is_named(number, words, tmp_path, monkeypatch):
    def fails(handle, how):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr("fcntl.flock", fails)
    with pytest.raises(OutputError, match=words), folder_lock(tmp_path / "a"):
        pytest.fail("must not get here")
