"""``halfsecond broker users|rules``: what a mosquitto of one's own needs to know of our devices."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from deploy import target

EVERY_S = 2.0
_TEXT = "for a mosquitto of your own: its users and the rules of who may do what"


def add(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own private type
    """Register the command and its two verbs."""
    parser = subparsers.add_parser(
        "broker", help=_TEXT, description=_TEXT, epilog="example:\n  halfsecond broker rules /etc/mosquitto/rules"
    )
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="users|rules")
    users = verbs.add_parser(
        "users",
        help="write the password file",
        description=(
            "Writes mosquitto's password_file: every device with its password's hash, and intake with the one of\n"
            "HALFSECOND_BROKER_PASSWORD. The broker reads it again at SIGHUP."
        ),
        epilog="example:\n  halfsecond broker users /etc/mosquitto/passwords --follow",
    )
    users.add_argument("file", type=Path)
    users.add_argument("--follow", action="store_true", help="go on, and write it again whenever devices change")
    target.add_options(users, account=False)
    users.set_defaults(run=_users)
    rules = verbs.add_parser(
        "rules",
        help="write the rules",
        description=(
            "Writes mosquitto's acl_file: a device writes under its own name, intake reads all; with\n"
            "HALFSECOND_MAPPING also under the topics of loggers of another kind."
        ),
        epilog="example:\n  halfsecond broker rules /etc/mosquitto/rules",
    )
    rules.add_argument("file", type=Path)
    rules.set_defaults(run=_rules)


def _users(arguments: argparse.Namespace) -> int:
    from deploy import broker_users, settings  # noqa: PLC0415 - help must not wait for it
    from deploy.serve import stop_event  # noqa: PLC0415

    conninfo = target.conninfo(arguments)
    intake = broker_users.intake_hash(settings.read().broker_password)
    if not arguments.follow:
        broker_users.write(arguments.file, broker_users.table(broker_users.devices(conninfo), intake))
        return 0
    with stop_event() as stop:
        broker_users.follow(conninfo, arguments.file, intake, stop, EVERY_S)
    return 0


def _rules(arguments: argparse.Namespace) -> int:
    from deploy import broker_users, settings  # noqa: PLC0415

    topics = broker_users.topics_of(settings.read().mapping)
    broker_users.write(arguments.file, broker_users.rules(topics), 0o644)
    return 0
