"""Sheets that a maker kept by hand: propose a mapping, adjust it, import. The one place to import these from.

The work is done in `sheet_reading` (files to text), `sheet_headings`, `sheet_proposal`, `sheet_column` and `sheet_mapping` (what
columns mean), `sheet_rows` and `sheet_cells` (what rows and cells mean) and `sheet_import` (records into the logbook).

Examples
--------
>>> import pandas as pd, tempfile, os
>>> from castlab import Logbook
>>> book = Logbook.open(os.path.join(tempfile.mkdtemp(), "shop.db"), who="Ada")
>>> sheet = pd.DataFrame({"Cup": ["1", "1"], "Room temp (F)": ["72", ""], "bubbles": ["3", "many"]})
>>> mapping = propose_mapping(sheet)
>>> result = import_sheet(book, sheet, mapping, name="my sheet")
>>> result.added, result.already_there, list(result.rejected["row"])
(1, 0, [3])
"""

from castlab.records.sheet_import import ImportResult, import_sheet
from castlab.records.sheet_mapping import Mapping
from castlab.records.sheet_proposal import propose_mapping

__all__ = ["ImportResult", "Mapping", "import_sheet", "propose_mapping"]
