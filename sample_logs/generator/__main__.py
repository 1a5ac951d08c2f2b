"""Make the sample plant: `python -m sample_logs.generator --out DIR --days N --cells K --seed S`."""

from __future__ import annotations

import argparse
from pathlib import Path

from sample_logs.generator.make import make


def main() -> None:
    """Read the arguments and make the plant. Without arguments: exactly the committed data."""
    parser = argparse.ArgumentParser(prog="python -m sample_logs.generator", description=__doc__)
    parser.add_argument("--out", type=Path, default=Path(__file__).resolve().parents[1], help="folder to write into")
    parser.add_argument("--days", type=int, default=3, help="production days from 2026-10-23")
    parser.add_argument("--cells", type=int, default=2, help="how many cells: spoon, timer, spoon2, timer2, ...")
    parser.add_argument("--seed", type=int, default=2026)
    args = parser.parse_args()
    make(args.out, days=args.days, cells=args.cells, seed=args.seed, say=print)


if __name__ == "__main__":
    main()
