"""Pages, figures and the report: reads what the logger stored, never writes a measurement."""
