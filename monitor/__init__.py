"""The service around the rules: intake, store, records, alarms, API, page, export."""
