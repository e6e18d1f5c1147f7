"""What people change of the network: fields and forms, tables in files, and what a change does."""
