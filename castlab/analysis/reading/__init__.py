"""From a table of castings to what a model needs: which castings, which response, which columns; readings known only in part."""
