"""Files in, sessions out: readers, the session sheet, layouts, and the HDF5 store.

wfdb and scipy.io, which are slow to import, load when a file of their kind is first opened.
"""

from palpate.io.atomic import explain_os_error, replacing
from palpate.io.drafting import draft_sheet
from palpate.io.layouts import apply_layout, layout_names
from palpate.io.listing import Listing, describe
from palpate.io.loading import load_session, read_recording, sha256_of
from palpate.io.opening import open_session
from palpate.io.sheet import ChannelSpec, RecordingSpec, Sheet, SourceSpec, read_sheet
from palpate.io.store import (
    StoredTable,
    checked_store_name,
    read_store,
    read_table,
    table_names,
    write_store,
    write_table,
)

__all__ = [
    "ChannelSpec",
    "Listing",
    "RecordingSpec",
    "Sheet",
    "SourceSpec",
    "StoredTable",
    "apply_layout",
    "checked_store_name",
    "describe",
    "draft_sheet",
    "explain_os_error",
    "layout_names",
    "load_session",
    "open_session",
    "read_recording",
    "read_sheet",
    "read_store",
    "read_table",
    "replacing",
    "sha256_of",
    "table_names",
    "write_store",
    "write_table",
]
