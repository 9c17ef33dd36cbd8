#!/bin/sh
# Starts the image's own entry point with the password from its file. Images call that entry point differently, and not
# all read the file by themselves.
set -eu
POSTGRES_PASSWORD=$(cat /run/secrets/database/password)
export POSTGRES_PASSWORD
exec "$(command -v docker-entrypoint.sh || command -v postgres-entrypoint)" "$@"
