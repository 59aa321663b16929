"""Everything that measures, watches, judges and stores. Never imports the dashboard."""
