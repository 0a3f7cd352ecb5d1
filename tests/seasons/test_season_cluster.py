"""A season on real worker processes: they are killed, stopped and lost, and nothing breaks."""

import json
import logging
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import psutil
import pytest
from deadlines import wait_until, within
from season_builders import bytes_of, rows, run, without_seconds, write_season

from covermap.cli import commands as cli
from covermap.errors import OutputError, SettingsError
from covermap.seasons import workers
from covermap.seasons.job_record import LOCK_FILE, is_whole, read_record, season_lock
from covermap.seasons.run_season import Progress, run_season
from covermap.seasons.season_file import read_season
from covermap.seasons.workers import dask_crew

FIELDS = 4


@pytest.fixture(scope="module")
def expected(tmp_path_factory) -> tuple[Path, Path, dict]:
    """Give a season file, and its results made in this process."""
    folder = tmp_path_factory.mktemp("season")
    file = write_season(folder, FIELDS)
    return file, folder / "out", run(file, folder / "out")


@pytest.fixture
def no_process_left():
    """Fail if a process that the test started is still there."""
    before = {child.pid for child in psutil.Process().children(recursive=True)}
    yield
    assert_all_gone(new_children(before))


def new_children(before: set[int]) -> list[psutil.Process]:
    children = psutil.Process().children(recursive=True)
    # the helper that Python starts once for shared memory stays as long as this process
    return [c for c in children if c.pid not in before and "resource_tracker" not in named(c)]


def assert_all_gone(processes: list[psutil.Process]) -> None:
    _, alive = psutil.wait_procs(processes, timeout=within(10))
    assert alive == []


def named(process: psutil.Process) -> str:
    try:
        return " ".join(process.cmdline())
    except psutil.Error:
        return ""


def wait_in(process: subprocess.Popen, happened) -> None:
    """Wait for something that a process does while it lives."""

    def happened_in_its_life():
        assert process.poll() is None, process.communicate()
        return happened()

    wait_until(happened_in_its_life, 60.0)


def on_their_way(out: Path) -> list[Path]:
    return list((out / "fields").glob(".new-*"))


def records(out: Path) -> list[Path]:
    return list((out / "jobs").glob("*.json"))


def assert_only_whole(out: Path, expected: Path) -> None:
    """Every folder that can be seen is complete, and as it should be."""
    for folder in (out / "fields").glob("[!.]*"):
        assert bytes_of(folder) == bytes_of(expected / "fields" / folder.name)


def kill_when(happened, pid: int) -> threading.Thread:
    def wait_and_kill():
        wait_until(happened, 60.0)
        os.kill(pid, signal.SIGKILL)

    thread = threading.Thread(target=wait_and_kill)
    thread.start()
    return thread


@pytest.fixture(scope="module")
def crew(tmp_path_factory):
    """Give two worker processes of this machine, for more than one season."""
    before = {child.pid for child in psutil.Process().children(recursive=True)}
    out = tmp_path_factory.mktemp("crew")
    with season_lock(out) as token, dask_crew(2, None, out, token) as crew:
        with pytest.raises(OutputError, match="does not see the folder"):
            workers._check_workers(crew.client, out / "elsewhere", token)
        yield crew
    assert_all_gone(new_children(before))


def test_workers_give_the_same_and_survive_a_kill(expected, tmp_path, crew):
    file, good, content = expected
    out = tmp_path / "out"
    progress = Progress()
    pids = set(crew.client.run(os.getpid).values())
    assert len(pids) == 2
    killer = kill_when(lambda: on_their_way(out), pids.pop())
    with season_lock(out) as token:
        made = run_season(read_season(file), out, token, crew, progress=progress)
    killer.join()
    assert not pids >= set(crew.client.run(os.getpid).values())
    assert (progress.mapped, progress.failed) == (FIELDS, 0)
    assert without_seconds(made) == without_seconds(content)
    assert bytes_of(out / "fields") == bytes_of(good / "fields")


@pytest.mark.slow
def test_a_field_that_kills_every_worker_fails_alone(expected, tmp_path, crew):
    file, good, _ = expected
    out = tmp_path / "out"
    tries = tmp_path / "tries"

    class Deadly:
        def run(self, work, calls):
            def deadly(*arguments):
                if getattr(arguments[0], "field_id", "") == "field-1":
                    with tries.open("a") as log:
                        log.write("x")
                    os.kill(os.getpid(), signal.SIGKILL)
                return work(*arguments)

            return crew.run(deadly, calls)

    with season_lock(out) as token:
        made = run_season(read_season(file), out, token, Deadly())
    assert tries.read_text() == "xxx"
    assert [r["status"] for r in made["fields"]].count("mapped") == FIELDS - 1
    assert "The worker died while mapping this field" in rows(made)["field-1"]["reason"]
    assert_only_whole(out, good)


@pytest.fixture
def dask_processes(tmp_path, monkeypatch):
    """Start a scheduler and two workers of their own on this machine."""
    monkeypatch.setattr(workers, "_ANSWER_WITHIN_S", within(workers._ANSWER_WITHIN_S))
    address = tmp_path / "scheduler.json"
    started = []

    def start(*words: object) -> subprocess.Popen:
        process = subprocess.Popen(
            [sys.executable, "-m", "dask", *map(str, words)],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            env={**os.environ, "PYTHONWARNINGS": "ignore"},
        )  # fmt: skip
        started.append(process)
        return process

    start("scheduler", "--host", "127.0.0.1", "--port", 0, "--no-dashboard",
          "--scheduler-file", address)  # fmt: skip
    wait_until(address.exists, 60.0)
    pair = [
        start("worker", "--scheduler-file", address, "--nthreads", 1, "--no-nanny",
              "--no-dashboard")
        for _ in range(2)
    ]  # fmt: skip
    yield json.loads(address.read_text())["address"], pair, started[0]
    for process in started[::-1]:
        process.kill()
        process.wait()


@pytest.mark.slow
def test_a_cluster_that_is_there_already_loses_a_worker(expected, tmp_path, dask_processes):
    file, good, content = expected
    address, (one, _), _ = dask_processes
    out = tmp_path / "out"
    with season_lock(out) as token, dask_crew(None, address, out, token) as crew:
        crew.client.wait_for_workers(2, timeout=within(30))
        killer = kill_when(lambda: on_their_way(out), one.pid)
        made = run_season(read_season(file), out, token, crew)
        killer.join()
    assert without_seconds(made) == without_seconds(content)
    assert bytes_of(out / "fields") == bytes_of(good / "fields")


@pytest.mark.slow
def test_a_scheduler_that_is_lost_ends_the_run_and_keeps_what_is_done(
    expected, tmp_path, dask_processes, caplog
):
    file, good, _ = expected
    address, _, scheduler = dask_processes
    out = tmp_path / "out"
    log = logging.getLogger("distributed")  # hands nothing on to the root
    log.addHandler(caplog.handler)
    with (
        pytest.raises(SettingsError, match="scheduler was lost"),
        season_lock(out) as token,
        dask_crew(None, address, out, token) as crew,
    ):
        killer = kill_when(lambda: records(out), scheduler.pid)
        run_season(read_season(file), out, token, crew)
    killer.join()
    log.removeHandler(caplog.handler)
    assert [r for r in caplog.records if r.name.split(".")[0] == "distributed"] == []
    assert_only_whole(out, good)
    assert all(is_whole(out, read_record(out, f.stem)) for f in records(out))


def test_no_scheduler_and_no_dask_are_said(tmp_path, monkeypatch):
    monkeypatch.setattr(workers, "_ANSWER_WITHIN_S", 0.5)
    with (
        pytest.raises(SettingsError, match="no scheduler answers"),
        dask_crew(None, "tcp://127.0.0.1:1", tmp_path, ""),
    ):
        pytest.fail("must not get here")
    monkeypatch.setitem(sys.modules, "distributed", None)
    with (
        pytest.raises(SettingsError, match=r'pip install "covermap\[season\]"'),
        dask_crew(1, None, tmp_path, ""),
    ):
        pytest.fail("must not get here")


def start_season(file: Path, out: Path, processes: int = 1) -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, "-m", "covermap", "season", file, "--out", out,
         "--workers", str(processes)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip


@pytest.mark.slow
def test_kill_9_at_several_moments_then_the_rest_is_done(expected, tmp_path, no_process_left):
    file, good, content = expected
    out = tmp_path / "out"
    moments = (lambda: on_their_way(out), lambda: len(records(out)) >= 1)
    done_before = 0
    for processes, moment in enumerate(moments, 1):
        with start_season(file, out, processes) as season:
            wait_in(season, moment)
            family = psutil.Process(season.pid).children(recursive=True)
            season.kill()
        assert_all_gone(family)
        assert_only_whole(out, good)
        whole = [f for f in records(out) if is_whole(out, read_record(out, f.stem))]
        assert done_before <= len(whole) < FIELDS
        done_before = len(whole)
    times = {f: f.stat().st_mtime_ns for f in whole}
    with start_season(file, out) as season:
        text, errors = season.communicate(timeout=within(120))
    assert (season.returncode, errors) == (0, "")
    assert f"{FIELDS} fields, {FIELDS - done_before} mapped now, {done_before} mapped" in text
    assert {f: f.stat().st_mtime_ns for f in times} == times
    assert bytes_of(out / "fields") == bytes_of(good / "fields")
    made = json.loads((out / "season.json").read_text("utf-8"))
    assert without_seconds(made) == without_seconds(content)
    assert [f.name for f in out.iterdir() if f.name.startswith(".")] == []


def test_ctrl_c_ends_all_and_a_second_run_is_kept_out(
    expected, tmp_path, no_process_left, monkeypatch, capsys
):
    file, good, _ = expected
    out = tmp_path / "out"
    with start_season(file, out, 2) as season:
        wait_in(season, lambda: on_their_way(out))
        os.killpg(season.pid, signal.SIGSTOP)  # or it might be done before the second run begins
        monkeypatch.setattr(sys, "argv", ["covermap", "season", str(file), "--out", str(out)])
        with pytest.raises(SystemExit) as end:
            cli.main()
        assert end.value.code == 2
        assert f"process {season.pid}" in capsys.readouterr().err
        family = psutil.Process(season.pid).children(recursive=True)
        # as a terminal does: to the run and to its workers
        os.killpg(season.pid, signal.SIGINT)
        os.killpg(season.pid, signal.SIGCONT)
        text, errors = season.communicate(timeout=within(60))
    assert season.returncode == 130
    assert text == ""
    assert "fields are done and kept; the same command goes on from there." in errors
    assert "Traceback" not in errors
    assert_all_gone(family)
    assert_only_whole(out, good)
    assert not (out / LOCK_FILE).exists()
    assert list((out / "fields").glob(".*")) == []


def test_help_does_not_load_the_engine():
    code = (
        "import sys, covermap.cli.commands\n"
        "assert not {'dask', 'distributed', 'matplotlib', 'numba'} & set(sys.modules)\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
