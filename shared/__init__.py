"""What every stage shares: errors, equipment, table schemas, settings, files. Imports nothing of ours."""
