"""Files for other programs: GIS, phone, table, task data."""
