"""Keep every file and number of the samples and two open tracks, and compare two keeps.

For changes that must not move a number: ``python tests/keep_results.py keep DIR`` before and
after, then ``python tests/keep_results.py compare BEFORE AFTER``; names such as ``wheat season``
behind the folders keep or compare only what begins with them. Only the command line is
used, so a keep made by an older layout of the code can be compared. Files equal byte for byte
are not named. Of the others it says whether numbers differ (by more than 1e-12 of their
size), or only words or packing. Exit code 1 where numbers differ or files are missing.
"""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path

REPO = Path(__file__).parents[1]
SAMPLES = ("wheat", "corn", "barley", "oats", "canola")
OPEN_TRACKS = {
    "open_corn": (
        "corn_clock_repaired.csv",
        ["--crop", "corn", "--cut-width", "30 ft", "--spread-width", "30 ft"],
    ),
    "open_wheat": ("wheat_two_widths.csv", ["--crop", "wheat", "--spread-width", "35 ft"]),
}
PLAN = ["--next-crop", "wheat", "--operations", "no-till drill; flex-tine harrow"]
TEXTS = {".html", ".svg", ".json", ".geojson", ".csv", ".txt", ".toml", ".xml", ".kml", ".qml"}
NUMBER = re.compile(r"(?<![\w.])[-−+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?(?![\w])")


def commands() -> Iterator[tuple[str, list[str]]]:
    """Give (name, arguments) of every run; ``{out}`` is its folder, ``{keep}`` the whole keep."""
    opened = Path(os.environ.get("COVERMAP_OPEN_DATA", REPO.parent / "shared" / "data"))
    sources = {
        name: ([str(REPO / "sample_fields" / name / f"{name}.toml")], []) for name in SAMPLES
    }
    sources |= {name: ([str(opened / file)], more) for name, (file, more) in OPEN_TRACKS.items()}
    for name, (source, more) in sources.items():
        us = ["--us-units"] if name in ("corn", "open_wheat") else []
        plan = [] if name == "canola" else PLAN
        yield f"{name}/check", ["check", *source, *more, "--json"]
        yield f"{name}/check_text", ["check", *source, *more]
        yield f"{name}/planned", ["map", *source, *more, *us, *plan, "--out", "{out}"]
        yield f"{name}/plan", ["plan", *source, *more, *us, *plan, "--out", "{out}"]
        result = f"{{keep}}/{name}/planned"
        yield f"{name}/report", ["report", result, *us, "--out", "{out}/report.pdf"]
        task = ["--task-quantity", "working_depth", "--task-value", "plan-harrow=0.05"]
        for rule in ("plan-till", "plan-row-cleaner", "plan-check-stand", "plan-bale-or-rake"):
            task += ["--task-value", f"{rule}=0.1"]
        yield f"{name}/export", ["export", result, "--for", "all", *task, "--out", "{out}"]
        if name in ("wheat", "oats", "open_corn"):
            words = ["range", *source, *more, *us, "--repeats", "20", "--out", "{out}"]
            yield f"{name}/range", words
        yield f"{name}/advise", ["advise", *source, *more, *us, "--out", "{out}"]
        yield f"{name}/advise_json", ["advise", *source, *more, "--json"]
    trays = str(REPO / "sample_fields" / "oats" / "oats_trays.csv")
    yield "trays", ["trays", trays, "--out", "{out}"]
    wheat = str(REPO / "sample_fields" / "wheat" / "wheat.toml")
    yield "wheat/map", ["map", wheat, "--out", "{out}"]
    yield "wheat/wider", ["map", wheat, "--spread-width", "11 m", "--out", "{out}"]
    pair = ["compare", "{keep}/wheat/map", "{keep}/wheat/wider", "--out", "{out}"]
    yield "wheat/compare", pair
    yield "wheat/compare_us", [*pair, "--us-units"]
    season = ["season", str(REPO / "sample_fields"), "--workers", "1", "--out", "{out}"]
    yield "season/first", season
    more = ["--previous", "{keep}/season/first", "--us-units", "--spread-width", "8 m"]
    yield "season/next", [*season, *more]


def keep(folder: Path, only: list[str]) -> None:
    """Run everything, or what begins with one of ``only``, into ``folder``."""
    if folder.exists() and not only:
        shutil.rmtree(folder)
    folder.mkdir(parents=True, exist_ok=True)
    for name, words in commands():
        if only and not name.startswith(tuple(only)):
            continue
        out = folder / name
        arguments = [w.replace("{out}", str(out)).replace("{keep}", str(folder)) for w in words]
        if "{out}/report.pdf" in words:
            out.mkdir(parents=True, exist_ok=True)
        made = subprocess.run(
            [sys.executable, "-m", "covermap", *arguments], capture_output=True, text=True
        )
        said = f"exit {made.returncode}\n{made.stdout}{made.stderr}".replace(str(folder), "KEEP")
        said = said.replace(str(REPO), "REPO")
        (folder / f"{name.replace('/', '_')}.said.txt").write_text(said, "utf-8")
        print(name, made.returncode, flush=True)


def numbers(text: str) -> list[float]:
    """Give the numbers of a text in order."""
    return [float(n.replace("−", "-").replace("+", "")) for n in NUMBER.findall(text)]


def unlike(before: list[float], after: list[float]) -> str:
    """Say how two runs of numbers differ; empty if they do not."""
    if len(before) != len(after):
        return f"{len(before)} numbers, now {len(after)}"
    for a, b in zip(before, after, strict=True):
        if a != b and abs(a - b) > 1e-12 * max(abs(a), abs(b), 1e-300):
            return f"{a!r}, now {b!r}"
    return ""


def difference(name: str, before: bytes, after: bytes) -> tuple[bool, str]:
    """Tell whether numbers of one file differ, and say what does."""
    ending = Path(name).suffix.lower()
    if ending in (".zip", ".kmz"):
        a, b = (
            {e: z.read(e) for e in z.namelist()}
            for z in (zipfile.ZipFile(io.BytesIO(x)) for x in (before, after))
        )
        if a.keys() != b.keys():
            return True, f"entries {sorted(a.keys() ^ b.keys())}"
        found = [(e, *difference(e, a[e], b[e])) for e in a if a[e] != b[e]]
        return any(f[1] for f in found), "; ".join(f"{e}: {s}" for e, _, s in found) or "packing"
    if ending == ".tif":
        return _tiff_difference(before, after)
    if ending == ".gpkg":
        return _geopackage_difference(before, after)
    if ending == ".parquet":
        import pandas as pd

        a, b = (pd.read_parquet(io.BytesIO(x)) for x in (before, after))
        said = unlike(
            *(numbers(t.drop(columns="geometry", errors="ignore").to_csv()) for t in (a, b))
        )
        return bool(said), said or "metadata, words or shapes"
    if ending == ".pdf":
        import pypdf

        texts = [
            "\n".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(x)).pages)
            for x in (before, after)
        ]
        said = unlike(numbers(texts[0]), numbers(texts[1]))
        return bool(said), said or ("words" if texts[0] != texts[1] else "packing")
    if ending == ".dbf":
        said = unlike(numbers(before.decode("latin-1")), numbers(after.decode("latin-1")))
        return bool(said), said or "words"
    if ending in TEXTS:
        a, b = before.decode("utf-8", "replace"), after.decode("utf-8", "replace")
        if ending in (".json", ".geojson"):
            a, b = (_sorted_json(text) for text in (a, b))
        said = unlike(numbers(a), numbers(b))
        return bool(said), said or ("words" if a != b else "order")
    return True, "bytes"


def _sorted_json(text: str) -> str:
    return json.dumps(json.loads(text), sort_keys=True, indent=1, ensure_ascii=False)


def _tiff_difference(before: bytes, after: bytes) -> tuple[bool, str]:
    import numpy as np
    from rasterio.io import MemoryFile

    read = []
    for data in (before, after):
        with MemoryFile(data) as memory, memory.open() as file:
            read.append((file.read(), file.transform, file.crs, file.tags(), file.descriptions))
    a, b = read
    if a[0].shape != b[0].shape or a[1] != b[1] or a[2] != b[2]:
        return True, "grid"
    if not np.array_equal(a[0], b[0], equal_nan=a[0].dtype.kind == "f"):
        return True, f"cells, by up to {np.nanmax(np.abs(a[0] - b[0])):g}"
    return False, "tags" if a[3:] != b[3:] else "packing"


def _geopackage_difference(before: bytes, after: bytes) -> tuple[bool, str]:
    import geopandas as gpd
    import pyogrio

    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(folder) / n for n in ("a.gpkg", "b.gpkg")]
        for path, data in zip(paths, (before, after), strict=True):
            path.write_bytes(data)
        layers = [[str(name) for name, _ in pyogrio.list_layers(path)] for path in paths]
        if layers[0] != layers[1]:
            return True, f"layers {layers}"
        words = []
        for layer in layers[0]:
            a, b = (gpd.read_file(path, layer=layer) for path in paths)
            if list(a.columns) != list(b.columns) or len(a) != len(b):
                return True, f"layer {layer}: columns or rows"
            for column in a.columns:
                if column == a.attrs.get("geometry", "geometry"):
                    if not (a.geometry.to_wkb() == b.geometry.to_wkb()).all():
                        return True, f"layer {layer}: shapes"
                elif not a[column].equals(b[column]):
                    said = unlike(numbers(a[column].to_csv()), numbers(b[column].to_csv()))
                    if said:
                        return True, f"layer {layer}: {column}: {said}"
                    words.append(f"{layer}.{column}")
        return False, f"words of {', '.join(words)}" if words else "packing"


def compare(before: Path, after: Path, only: list[str]) -> int:
    """Print what differs between two keeps; 1 where numbers do."""
    files = {
        root: {
            name
            for name in (p.relative_to(root).as_posix() for p in root.rglob("*") if p.is_file())
            if not only or name.startswith(tuple(only))
        }
        for root in (before, after)
    }
    wrong = 0
    for name in sorted(files[before] ^ files[after]):
        print(f"{'MISSING' if name in files[before] else 'NEW    '} {name}")
        wrong += 1
    same = 0
    for name in sorted(files[before] & files[after]):
        a, b = (before / name).read_bytes(), (after / name).read_bytes()
        if zlib.crc32(a) == zlib.crc32(b) and a == b:
            same += 1
            continue
        differs, said = difference(name, a, b)
        wrong += differs
        print(f"{'NUMBERS' if differs else 'words  '} {name}: {said}")
    print(f"{same} files equal byte for byte; {wrong} differ in numbers, are missing or new")
    return int(wrong > 0)


if __name__ == "__main__":
    if len(sys.argv) >= 3 and sys.argv[1] == "keep":
        keep(Path(sys.argv[2]).resolve(), sys.argv[3:])
    elif len(sys.argv) >= 4 and sys.argv[1] == "compare":
        sys.exit(compare(Path(sys.argv[2]), Path(sys.argv[3]), sys.argv[4:]))
    else:
        sys.exit(__doc__)
