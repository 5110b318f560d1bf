"""The generator, the bench and what is measured of the table, tried on made-up truth."""
