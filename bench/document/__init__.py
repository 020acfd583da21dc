"""Pages that a browser opens from a file: one skeleton for every command.

A page is put together from the blocks of `bench.document.blocks` (text, tables, stacked curves over one axis,
points) and written by `bench.document.page`. The figures on it are those of the command's summary; nothing is
worked out anew here.
"""
