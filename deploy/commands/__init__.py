"""The subcommands of ``halfsecond``, one subject a module; each registers itself with ``add(subparsers)``.

Heavy libraries are imported inside the function that runs, so that ``--help`` answers at once.
"""
