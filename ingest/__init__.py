"""From the wire to the table: wire contract, wave reduction, other loggers, subscriber, store and schema."""
