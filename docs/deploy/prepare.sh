#!/bin/sh
# Makes what docker-compose.yml needs and a repository cannot have: a password, and the digests of the base images as they are today.
# It changes nothing that is there already. Run it in the folder of docker-compose.yml.
set -eu
umask 077
engine=${CONTAINER_ENGINE:-docker}

if [ ! -s secrets/database-password ]; then
    mkdir -p secrets
    # Any characters will do; another password may be written into the file before the first start.
    head -c 24 /dev/urandom | base64 | tr -d '\n' > secrets/database-password
    # Containers read it as users of their own; on this machine the folder keeps others out.
    chmod 0444 secrets/database-password
    echo "Made secrets/database-password."
fi

# NAME:TAG@sha256:... of an image: pulled, then asked what was pulled.
pinned() {
    "$engine" pull --quiet "$1" > /dev/null
    digest=$("$engine" image inspect --format '{{index .RepoDigests 0}}' "$1" | sed -n 's/.*@\(sha256:[0-9a-f]\{64\}\)$/\1/p')
    [ -n "$digest" ] || { echo "prepare.sh: $engine does not tell the digest of $1" >&2; exit 1; }
    printf '%s@%s\n' "$1" "$digest"
}

touch .env
add() {
    grep -q "^$1=" .env && return
    value=$(pinned "$2")
    printf '%s=%s\n' "$1" "$value" >> .env
    echo "$1=$value"
}
add SETWRIGHT_PYTHON_IMAGE python:3.11-slim-bookworm
add SETWRIGHT_POSTGRES_IMAGE postgres:15-alpine
