#!/bin/sh
# Makes the secrets of the stack that are not there yet: 256 random bits each, as a file in a volume that only the parts
# which need it see. To renew one, delete its file and start the stack again (the database's own password is kept inside
# it and has to be changed there first).
set -eu

secret() {
    if [ ! -s "$1" ]; then
        head -c 32 /dev/urandom | base64 | tr '+/' '-_' | tr -d '=\n' >"$1.new"
        mv "$1.new" "$1"
    fi
}

secret /run/secrets/database/password
secret /run/secrets/broker/password
secret /run/secrets/pages/token
printf 'host=database dbname=halfsecond user=halfsecond password=%s\n' "$(cat /run/secrets/database/password)" \
    >/run/secrets/database/address
# The programs do not run as root; the volumes keep everybody else away from these files.
chmod 444 /run/secrets/*/*
chown halfsecond /run/users
