"""JSON Schema of every record and the AsyncAPI document of the wire, made by ``python -m ingest.documents``."""
