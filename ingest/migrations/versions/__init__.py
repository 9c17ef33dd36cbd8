"""One module a change. ``pre_`` runs before the new programs start, ``post_`` after the last old one has ended."""
