"""Streamlit entry: the list of pages, and the one place where a page's errors become words."""

from __future__ import annotations

import os
from functools import partial

import streamlit as st

from app.commands.studies import STUDIES
from app.theme import APP_STYLE
from app.views.why import page
from ingest.errors import TaktbookError

PAGES = {
    "Account": [
        st.Page("views/plant.py", title="Plant", url_path="plant"),
        st.Page("views/shift.py", title="Shift", url_path="shift", default=True),
    ],
    "Asking why": [st.Page(partial(page, s), title=s.TITLE, url_path=s.NAME) for s in STUDIES],
}
# A new page is one more entry here and one more file in app/views/. (Streamlit would show a string that stands alone.)


def main() -> None:
    """Show the page that the address asks for."""
    st.set_page_config(page_title="taktbook", layout="wide")
    st.html(f"<style>{APP_STYLE}</style>")
    page_ = st.navigation(PAGES, position="top")
    try:
        page_.run()
    except TaktbookError as err:
        st.warning("This cannot be shown yet.")
        st.code(str(err), language=None, wrap_lines=True)
        st.caption(f"Plant folder: {os.environ.get('TAKTBOOK_PLANT', '.')}. Correct it and reload this page.")


main()
