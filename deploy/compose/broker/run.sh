#!/bin/sh
# Runs the broker with copies of its users, its rules and its certificate that only it can read, and has it read them
# again when they change. Without a certificate (server.crt and server.key) there is no TLS listener; with ca.crt beside
# them, loggers may show a certificate of their own.
set -eu
own=/mosquitto/data/own
broker=

take() { # take FILE: copy it, closed to others; say whether it was new
    name=${1##*/}
    if [ ! -s "$1" ] || cmp -s "$1" "$own/$name"; then
        return 1
    fi
    (umask 077 && cp "$1" "$own/$name.new")
    chown mosquitto "$own/$name.new"
    mv "$own/$name.new" "$own/$name"
}

take_all() { # say whether anything was new
    new=1
    for file in /run/users/rules /run/users/passwords \
        /opt/certificates/server.crt /opt/certificates/server.key /opt/certificates/ca.crt; do
        if take "$file"; then new=0; fi
    done
    return $new
}

leave() {
    if [ -n "$broker" ]; then
        kill -TERM "$broker" 2>/dev/null || true
        wait "$broker" || true
    fi
    exit 0
}
trap leave TERM INT

mkdir -p "$own/listeners"
take_all || true
touch "$own/passwords" "$own/rules"
rm -f "$own/listeners/"*.conf
if [ -s "$own/server.crt" ] && [ -s "$own/server.key" ]; then
    {
        echo "listener 8883"
        echo "certfile $own/server.crt"
        echo "keyfile $own/server.key"
        if [ -s "$own/ca.crt" ]; then echo "cafile $own/ca.crt"; fi
    } >"$own/listeners/tls.conf"
fi
chown -R mosquitto /mosquitto/data

mosquitto -c /opt/broker/mosquitto.conf &
broker=$!
while kill -0 "$broker" 2>/dev/null; do
    if take_all; then kill -HUP "$broker"; fi
    sleep 2 &
    wait $! || true
done
wait "$broker"
