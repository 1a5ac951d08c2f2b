"""Make the sample plant: `python -m sample_logs.generator --out DIR --days N --cells K --seed S`."""

from __future__ import annotations

import argparse
from pathlib import Path

from sample_logs.generator.calendar import Window
from sample_logs.generator.disturb import disturbance
from sample_logs.generator.make import SOURCES, make


def main() -> None:
    """Read the arguments and make the plant. Without arguments: exactly the committed data."""
    parser = argparse.ArgumentParser(prog="python -m sample_logs.generator", description=__doc__)
    parser.add_argument("--out", type=Path, default=Path(__file__).resolve().parents[1], help="folder to write into")
    parser.add_argument("--days", type=int, default=3, help="production days from 2026-10-23")
    parser.add_argument("--cells", type=int, default=2, help="how many cells: spoon, timer, spoon2, timer2, ...")
    parser.add_argument("--seed", type=int, default=2026)
    parser.add_argument(
        "--disturb", action="store_true", help="wrong clocks; lines lost, doubled, shuffled and garbled (needs --out)"
    )
    args = parser.parse_args()
    disturb = None
    if args.disturb:
        if args.out == parser.get_default("out"):
            parser.error("--disturb needs --out: the committed sample stays as it is")
        window, sources = Window(args.days), [s for names in SOURCES.values() for s in names]
        disturb = disturbance(window, sources, args.seed, {"press": window.at(0, "16:10")})
        for source, clock in disturb.clocks.items():
            print(f"{source}: {clock}")
    make(args.out, days=args.days, cells=args.cells, seed=args.seed, say=print, disturb=disturb)


if __name__ == "__main__":
    main()
