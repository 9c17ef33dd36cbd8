"""``python3 -m deploy setup|demo|test``: what a fresh clone can do before anything is installed."""

# This file must run on any Python 3, since it says which one is needed: hence no other imports before the check.
import sys

if sys.version_info < (3, 11):  # noqa: UP036 - the line below is for those who have an older one
    import shutil

    newer = [name for name in ("python3.13", "python3.12", "python3.11") if shutil.which(name)]
    remedy = "type '%s -m deploy ...' instead" if newer else "install it (on Debian 12 or newer: apt install python3)%s"
    found = "%d.%d" % sys.version_info[:2]  # noqa: UP031 - read by old Pythons
    fill = newer[0] if newer else ""
    sys.stderr.write("halfsecond: needs Python 3.11 or newer, this is %s: %s\n" % (found, remedy % fill))  # noqa: UP031
    raise SystemExit(2)

from deploy.bootstrap import main

if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
