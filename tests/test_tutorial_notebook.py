"""The tutorial notebook is carried out, cell by cell, in a kernel of its own."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
from conftest import ROOT

jupytext = pytest.importorskip("jupytext")
nbclient = pytest.importorskip("nbclient")
pytest.importorskip("ipykernel")
pytest.importorskip("panel")

NOTEBOOK = ROOT / "docs" / "tutorial_notebook.md"


# The kernel's client leaves sockets and a loop to the garbage collector: not ours to close.
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_notebook_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")]))
    monkeypatch.setenv("PYTHONWARNINGS", "error::UserWarning:optistack")
    monkeypatch.delenv(
        "MPLBACKEND", raising=False
    )  # the kernel's own shows figures in the notebook
    notebook = jupytext.read(NOTEBOOK)
    client = nbclient.NotebookClient(
        notebook, timeout=180, resources={"metadata": {"path": str(tmp_path)}}
    )
    client.execute()
    outputs = [o for cell in notebook.cells for o in cell.get("outputs", [])]
    kinds = [key for o in outputs for key in o.get("data", {})]
    assert kinds.count("text/html") >= 4  # three tables and the view
    assert kinds.count("image/png") == 2  # two figures on the reader's own axes
    printed = "".join(o["text"] for o in outputs if o.output_type == "stream")
    assert "injure eyes and skin" in printed
    assert "absorbs" in printed
    assert "left at" in printed
    said: list[Any] = [o for o in outputs if o.output_type == "error"]
    assert said == []
