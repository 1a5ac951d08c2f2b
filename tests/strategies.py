"""Random but possible logs for property tests: a line of two stations with stops, rejects, lost lines and repeats."""

from __future__ import annotations

import polars as pl
from hypothesis import strategies as st

from ingest.events import SCHEMA
from tests.logs import at

US = 1_000_000


@st.composite
def line_logs(draw: st.DrawFn, start: str = "05:57:00") -> pl.DataFrame:
    """A log of 1 to 12 parts through press and pack, begun just before a production day's edge.

    Some alarms (with and without an end), rejects, rework, product changes and modes; some records are lost.
    """
    rows: list[dict[str, object]] = []

    def say(us: int, station: str | None, kind: str, **more: object) -> None:
        rows.append({"us": us, "station": station, "kind": kind, **more})

    now = {"press": at(start), "pack": at(start)}
    product = "dish"
    for n in range(draw(st.integers(1, 12))):
        part = f"P{n}"
        if draw(st.integers(0, 5)) == 0:
            product = "lid" if product == "dish" else "dish"
        for station in ("press", "pack"):
            begin = max(now[station], now["press"] if station == "pack" else 0) + draw(st.integers(0, 20)) * US // 2
            end = begin + draw(st.integers(1, 90)) * US // 2
            if draw(st.integers(0, 3)) == 0:
                rise = begin + draw(st.integers(0, 40)) * US // 2
                code = draw(st.sampled_from(["A1", "E1", "W1", "X9"]))
                say(rise, station if code != "E1" else None, "alarm_on", code=code)
                if draw(st.integers(0, 4)):
                    say(
                        rise + draw(st.integers(0, 200)) * US // 2,
                        station if code != "E1" else None,
                        "alarm_off",
                        code=code,
                    )
            say(begin, station, "part_in", part=part, product=product)
            say(begin, station, "cycle_start", part=part, product=product)
            say(end, station, "cycle_end", part=part)
            verdict = draw(st.sampled_from(["none"] * 6 + ["reject", "rework", "removed"]))
            if verdict != "none":
                say(end, station, "result", part=part, result=verdict, cause="scratch")
            out = end + draw(st.integers(0, 30)) * US // 2
            if verdict not in ("reject", "removed"):
                say(out, station, "part_out", part=part)
            now[station] = out
            if verdict in ("reject", "removed"):
                break
    for mode_at in draw(st.lists(st.integers(0, 600), max_size=3)):
        say(at(start) + mode_at * US, None, "mode", state=draw(st.sampled_from(["automatic", "setup", "manual"])))
    for link_at in draw(st.lists(st.integers(0, 600), max_size=2)):
        say(at(start) + link_at * US, None, "link", state=draw(st.sampled_from(["up", "down"])))
    kept = [r for r in sorted(rows, key=lambda r: r["us"]) if draw(st.integers(0, 19))]  # type: ignore[arg-type, return-value]
    return frame(kept or rows[:1])


def frame(rows: list[dict[str, object]]) -> pl.DataFrame:
    """Bring rows with `us` into the shape of events of one source and file, numbered as they stand."""
    data = pl.DataFrame(rows, infer_schema_length=None).with_row_index("line", offset=1)
    data = data.with_columns(
        ts_source=pl.from_epoch("us", "us").dt.replace_time_zone("UTC"), cell=pl.lit("a1"), source=pl.lit("plc"),
        seq=pl.col("line"), file=pl.lit("plc.log"), doubled=pl.lit(False),
    )  # fmt: skip
    return data.with_columns(
        pl.lit(None, dtype).alias(name) for name, dtype in SCHEMA.items() if name not in data.columns
    ).select(pl.col(name).cast(dtype) for name, dtype in SCHEMA.items())
