"""The shop's records: database, migrations and photograph store; knows nothing of pages."""
