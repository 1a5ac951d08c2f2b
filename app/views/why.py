"""The pages of analyses: one for each row of STUDIES; load, choose, draw."""

from __future__ import annotations

import os
from html import escape
from pathlib import Path

import streamlit as st

from analytics.book import open_plant
from app import data, study_view
from app.commands.studies import StudyCommand
from app.selection_bar import ask
from ingest.errors import InputError


def page(command: StudyCommand) -> None:
    """Show one analysis of one cell and period."""
    plant = open_plant(Path(os.environ.get("TAKTBOOK_PLANT", ".")))
    asked = ask(plant)
    if asked is None:
        return
    of = "".join(f" · {what}" for what in (asked.station, asked.product) if what)
    st.html(f'<div class="tb-quiet">Cell {escape(asked.cell)} · {escape(asked.chosen.title + of)}</div>')
    version = data.version_of(plant)
    try:
        study = data.study_of(
            str(plant.folder), version, asked.cell, asked.chosen.window, command.NAME, asked.station, asked.product
        )
    except InputError as err:
        st.info("There is nothing to analyse here.")
        st.code(str(err), language=None, wrap_lines=True)
        return
    study_view.draw(plant, asked.cell, asked.chosen.window, study)
