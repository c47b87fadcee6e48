#!/bin/sh
# Backs up into a folder and keeps the newest N: backup.sh FOLDER N [SECONDS]. With SECONDS it goes on for ever and does so every
# SECONDS; without, once. An older backup is deleted only after a newer one was made and is whole.
set -eu
umask 077
folder=$1
keep=$2
every=${3:-}
case $keep in '' | *[!0-9]* | 0*) echo "backup.sh: keep how many? '$keep' is no number from 1 on" >&2; exit 2 ;; esac

once() {
    # Named by time, so that the order of names is the order of age.
    target=$folder/setwright-$(date -u +%Y%m%dT%H%M%SZ).tar
    setwright backup "$target" || return
    ls "$folder" | grep -E '^setwright-[0-9]{8}T[0-9]{6}Z\.tar$' | sort -r | tail -n "+$((keep + 1))" | while read -r old; do
        rm -f -- "$folder/$old"
        echo "Deleted $folder/$old: the newest $keep are kept."
    done
}

if [ -z "$every" ]; then
    once
    exit
fi
# A failure is told and tried again next time: the container goes on, and its log says so.
trap 'exit 0' TERM INT
while :; do
    once || echo "backup.sh: no backup was made; trying again in $every s" >&2
    sleep "$every" &
    wait $!
done
