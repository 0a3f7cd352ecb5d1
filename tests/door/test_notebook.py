"""The notebook in the docs runs as it stands, cell by cell."""

import re
from pathlib import Path

import nbclient
import nbformat
import pytest

DOCS = Path(__file__).parents[2] / "docs"


def test_ten_cells_run_and_show_something():
    book = nbformat.read(DOCS / "python.ipynb", as_version=4)
    cells = [cell for cell in book.cells if cell.cell_type == "code"]
    assert len(cells) == 10
    assert not any(cell.outputs for cell in cells), "the notebook is kept without outputs"
    client = nbclient.NotebookClient(book, resources={"metadata": {"path": str(DOCS)}})
    client.execute()
    for k in (1, 2, 3, 5, 7, 9):
        assert "text/html" in cells[k].outputs[0].data, cells[k].source
    by_hand, summed = re.findall(r"\d+\.\d+", cells[4].outputs[0].data["text/plain"])
    assert float(by_hand) == pytest.approx(float(summed))
    assert "engine off" in cells[8].outputs[0].text
