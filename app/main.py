"""Streamlit entry: the list of pages, and the one place where a page's errors become words."""

from __future__ import annotations

import os

import streamlit as st

from app.theme import APP_STYLE
from ingest.errors import TaktbookError

PAGES = (st.Page("pages/shift.py", title="Shift", url_path="shift", default=True),)
# A new page is one more entry here and one more file in app/pages/. (Streamlit would show a string that stands alone.)


def main() -> None:
    """Show the page that the address asks for."""
    st.set_page_config(page_title="taktbook", layout="wide")
    st.html(f"<style>{APP_STYLE}</style>")
    page = st.navigation(list(PAGES), position="hidden" if len(PAGES) == 1 else "top")
    try:
        page.run()
    except TaktbookError as err:
        st.warning("This cannot be shown yet.")
        st.code(str(err), language=None, wrap_lines=True)
        st.caption(f"Plant folder: {os.environ.get('TAKTBOOK_PLANT', '.')}. Correct it and reload this page.")


main()
