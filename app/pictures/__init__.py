"""The picture of each analysis: `pictures/<name of the analysis>.py` has one function, `pictures`.

It takes a Scene and returns what to draw, from the tables of the analysis as they are: a picture shows nothing that no
table holds. A chart ships at most MOST_MARKS marks.
"""

from __future__ import annotations

from importlib import import_module
from importlib.util import find_spec

from analytics.account import Window
from analytics.book import Plant
from analytics.study import Study
from app.pictures.base import Picture, Scene


def picture_of(plant: Plant, cell: str, window: Window, study: Study) -> list[Picture]:
    """Return the pictures of an analysis; none where there is nothing to draw."""
    module = f"app.pictures.{study.name.replace('-', '_')}"
    if find_spec(module) is None:
        return []
    found: list[Picture] = import_module(module).pictures(Scene(plant, plant.cell(cell), window, study.tables))
    return found
