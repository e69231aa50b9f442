"""Tables, figures, pages: four layers that never mix (compute, table, figure, page)."""
