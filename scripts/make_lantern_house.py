"""Make the invented data files of the Lantern House scenario.

Run ``python scripts/make_lantern_house.py`` with optistack installed. The files are invented, are
marked so, and serve the demo, the documentation and its tests; nothing is checked against them.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from optistack.exposure import Geometry, respond
from optistack.scenario import load_scenario
from optistack.tables import write_table

HERE = Path(__file__).resolve().parent.parent / "shared" / "lantern_house"
SEED = 20260214
HEADER = {
    "source": "invented for the Lantern House scenario, scripts/make_lantern_house.py",
    "licence": "MIT",
    "retrieved": "2026-11-25",
    "kind": "invented",
    "grade": "D",
    "uncertainty": "none, invented",
}


def oxide(folder: Path) -> None:
    """n,k of a sol-gel oxide film from 330 nm, as an ellipsometer with a lamp limit gives it."""
    lam = np.arange(330.0, 1101.0, 5.0)
    n = 1.62 + 0.012 / (lam / 1000) ** 2 + 0.0012 / (lam / 1000) ** 4
    k = 0.16 / (1 + np.exp((lam - 366.0) / 6.0))
    k = np.where(k < 1e-5, 0.0, k)
    header = {
        **HEADER,
        "title": "Oxide film, invented",
        "units": "wavelength nm; n, k dimensionless",
    }
    write_table(
        folder / "oxide_nk.csv", "nk", lam, {"n": n.round(4), "k": k.round(5)}, header=header
    )


def web_sample(folder: Path, rng: np.random.Generator) -> None:
    """A filter web in an export with %T, decimal commas, long to short, and stray light."""
    lam = np.arange(800.0, 279.0, -2.0)
    t = 88.6 / (1 + np.exp(-(lam - 388.0) / 3.2)) + 0.11
    t = t + rng.normal(0.0, 0.03, lam.size)
    lines = [
        "Lantern House web sample 3 (INVENTED)",
        "mode\tregular transmittance",
        "slit\t2 nm",
        "",
        "nm\t%T",
    ]
    lines += [f"{w:.1f}\t{v:.3f}".replace(".", ",") for w, v in zip(lam, t, strict=True)]
    (folder / "web_sample.txt").write_text(
        "\r\n".join(lines) + "\r\n", encoding="utf-8", newline=""
    )


def quantum_efficiency(folder: Path, rng: np.random.Generator) -> None:
    """An external quantum efficiency that fits the device: 0.8 of what the blend absorbs."""
    path = folder / "device_eqe.csv"
    lam = np.arange(340.0, 801.0, 10.0)
    header = {
        **HEADER,
        "title": "External quantum efficiency of the device, invented",
        "units": "wavelength nm; electrons per incident photon",
    }
    if not path.exists():  # the scenario that describes the device names this very file
        write_table(path, "quantum_efficiency", lam, {"quantum_efficiency": 0 * lam}, header=header)
    stack = load_scenario(folder / "lantern_house.toml").stacks["device"]
    blend = respond(stack, Geometry(), lam).absorptance[stack.position("blend")]
    eqe = np.maximum(0.0, 0.8 * blend + rng.normal(0.0, 0.002, lam.size)).round(4)
    write_table(path, "quantum_efficiency", lam, {"quantum_efficiency": eqe}, header=header)


def main() -> None:
    """Write all files."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=HERE)
    folder = parser.parse_args().out
    rng = np.random.default_rng(SEED)
    oxide(folder)
    web_sample(folder, rng)
    quantum_efficiency(folder, rng)


if __name__ == "__main__":
    main()
