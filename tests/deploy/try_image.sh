#!/bin/sh
# Builds the image and runs it as docker-compose.yml does, with Podman, on a base made with debootstrap, where no registry of images is
# reachable. Not part of CI: it takes minutes and root. Debian: apt install podman runc debootstrap.
set -eu
cd "$(dirname "$0")/../.."
base=localhost/setwright-base:try
# A machine may forbid to raise these; and crun of Debian 12 refuses cgroups of both versions.
limits="--ulimit nofile=1024:1024 --ulimit nproc=1000:1000"
podman="podman --runtime runc"

if ! $podman image exists "$base"; then
    made=$(mktemp -d)
    trap 'rm -rf "$made"' EXIT
    debootstrap --variant=minbase --include=python3,python3-venv,ca-certificates bookworm "$made"
    tar -C "$made" -c . | $podman import --quiet - "$base"
fi
pinned="$base@$($podman image inspect --format '{{.Digest}}' "$base")"
for target in setwright proxy; do
    # The certificates and pip's settings of this machine, for its way to the package index.
    $podman build --quiet $limits --network host --format docker --volume /etc/ssl/certs:/etc/ssl/certs:ro \
        ${PIP_CERT:+--env PIP_CERT="$PIP_CERT"} --build-arg PYTHON_IMAGE="$pinned" --target "$target" --tag "localhost/setwright-try-$target" .
done
if $podman build --quiet $limits --build-arg PYTHON_IMAGE="$base" --target build . > /dev/null 2>&1; then
    echo "a base without a digest was taken" >&2
    exit 1
fi

name=setwright-try-$$
confined="$limits --read-only --cap-drop all --security-opt no-new-privileges --tmpfs /tmp:size=256m,mode=1777,noexec,nosuid,nodev"
$podman run --detach --name "$name" $confined --user 10001:10001 --network none --memory 3g --pids-limit 300 \
    --env SETWRIGHT_DATABASE_URL=sqlite:////var/lib/setwright/state/coins.sqlite3 \
    --volume "$name:/var/lib/setwright/state" localhost/setwright-try-setwright > /dev/null
trap '$podman rm --force "$name" > /dev/null; $podman volume rm --force "$name" > /dev/null' EXIT
inside() { $podman exec "$name" "$@"; }

for turn in $(seq 60); do
    $podman healthcheck run "$name" > /dev/null 2>&1 && break
    [ "$turn" -lt 60 ] || { echo "never well" >&2; $podman logs "$name" >&2; exit 1; }
    sleep 1
done
[ "$(inside id -u)" = 10001 ]
inside grep -q "^CapBnd:	0000000000000000" /proc/self/status
inside grep -q "^NoNewPrivs:	1" /proc/self/status
if inside touch /opt/setwright/x 2> /dev/null || inside touch /etc/x 2> /dev/null; then echo "the root can be written to" >&2; exit 1; fi
for tool in pip gcc cc make git; do
    if inside sh -c "command -v $tool" > /dev/null; then echo "$tool is in the image" >&2; exit 1; fi
done
inside pg_dump --version
inside setwright --version
inside setwright backup /tmp/backup.tar
echo "The image is built and keeps its promises; health check: well."
