"""All SQL lives here: engine, schema, migrations, writer, and one file a table family."""
