"""Physics: motor, start gear, refrigerant, weather, faults, fleet; publishes like real loggers."""
