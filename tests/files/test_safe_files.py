"""No file leads outside, tells where the computer keeps its files, or runs what a person typed."""

import getpass
import io
import re
import zipfile
from pathlib import Path

import pytest
from click.testing import CliRunner

from covermap.cli.commands import commands
from covermap.cli.sample_command import write_sample

NAME = '=cmd()|<script>alert("1")</script> $x$ & \\input{x} Großer Acker'
#: Addresses that name a standard, which nothing fetches.
NAMES_OF_STANDARDS = (
    "http://www.w3.org/",
    "https://www.w3.org/",
    "http://www.opengis.net/",
    "http://purl.org/",
    "http://creativecommons.org/",
    "http://ns.adobe.com/",
    "http://www.aiim.org/",
    "http://iptc.org/",
    "http://schemas.opengis.net/",
)


@pytest.fixture(scope="module")
def results(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("safe")
    field, out = write_sample(folder, "canola"), folder / "out"
    run = CliRunner()
    for words in (
        ["map", str(field), "--out", str(out), "--cell", "1", "--quiet", "--name", NAME],
        ["report", str(out)],
        ["export", str(out), "--for", "all", "--task-quantity", "working_depth",
         "--task-value", "plan-leave=0"],
        ["compare", str(out), str(out), "--out", str(folder / "compared")],
    ):  # fmt: skip
        done = run.invoke(commands, words, catch_exceptions=False)
        assert done.exit_code == 0, (words, done.output)
    return folder


def contents(folder: Path) -> list[tuple[str, bytes]]:
    found = []
    for file in sorted(folder.rglob("*")):
        if not file.is_file() or file.parent == folder:
            continue
        data = file.read_bytes()
        found.append((file.name, data))
        if zipfile.is_zipfile(io.BytesIO(data)):
            with zipfile.ZipFile(io.BytesIO(data)) as archive:
                found += [(f"{file.name}/{n}", archive.read(n)) for n in archive.namelist()]
    assert len(found) > 40
    return found


def test_no_file_tells_where_the_computer_keeps_its_files(results):
    secrets = [str(results), str(Path.home()) + "/", f"/home/{getpass.getuser()}", str(Path.cwd())]
    for name, data in contents(results):
        for secret in secrets:
            assert secret.encode() not in data, (name, secret)


def test_no_file_refers_to_anything_outside(results):
    """Namespaces and schema names are names; everything else would be a request."""
    for name, data in contents(results):
        if not name.endswith((".html", ".svg", ".kml", ".xml", ".XML", ".sld", ".qml", ".css")):
            continue
        text = data.decode("utf-8")
        tags = r"<(?:script|img|link|iframe|image|use)[^>]*" if name.endswith(".html") else ""
        fetched = re.findall(
            tags + r"""(?:src|href|url)\s*[=(]\s*["']?((?:https?:)?//[^"')\s]+)""", text
        )
        for address in fetched:
            assert address.startswith(NAMES_OF_STANDARDS), (name, address)
        assert "@import" not in text, name


def test_what_a_person_typed_is_shown_and_never_run(results):
    for name, data in contents(results):
        if name.endswith((".html", ".svg", ".kml")):
            assert b"<script>alert" not in data, name
        if name.endswith(".csv"):
            for line in data.decode("utf-8-sig").splitlines():
                assert not line.startswith(("=", "@", "+")), (name, line)
                assert ",=cmd" not in line, (name, line)
