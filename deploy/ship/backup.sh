#!/bin/sh
# Back-up and restore of settings, log book, events and history, each in one command.
#
#   backup.sh save FILE.tar.gz        while the gateway runs; safe, each database is copied as a whole
#   backup.sh restore FILE.tar.gz     with the gateway stopped; what was there is kept beside it
set -eu
umask 077
settings=${CAMDRIFT_SETTINGS:-/etc/camdrift}
data=${CAMDRIFT_DATA:-/var/lib/camdrift}
python=${CAMDRIFT_PYTHON:-/opt/camdrift/venv/bin/python}

fail() { echo "backup.sh: $1" >&2; exit 2; }
[ $# -eq 2 ] || fail "save FILE.tar.gz, or restore FILE.tar.gz"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

case "$1" in
save)
    mkdir "$work/data"
    for name in state.db history.db; do
        [ -f "$data/$name" ] || continue
        # The database's own copy function: whole and consistent, also while the gateway writes.
        "$python" - "$data/$name" "$work/data/$name" <<'P'
import sqlite3, sys
source, target = sqlite3.connect(f"file:{sys.argv[1]}?mode=ro", uri=True), sqlite3.connect(sys.argv[2])
source.backup(target)
target.execute("PRAGMA journal_mode=DELETE")
assert target.execute("PRAGMA integrity_check").fetchone() == ("ok",), "the copy is damaged"
P
    done
    cp -R "$settings" "$work/settings"
    # Keys do not leave the ship with a back-up.
    find "$work/settings" -name '*.key' -delete
    tar -C "$work" -czf "$2.part" data settings
    mv "$2.part" "$2"
    echo "saved: $2 ($(du -h "$2" | cut -f1)); keys are not in it"
    ;;
restore)
    [ -f "$2" ] || fail "$2 is not there"
    if [ -S "$data/camdrift.sock" ]; then fail "the gateway runs; stop it first: systemctl stop camdrift"; fi
    tar -C "$work" -xzf "$2" || fail "$2 cannot be read"
    [ -d "$work/data" ] || fail "$2 is not one of our back-ups"
    stamp=$(date -u +%Y%m%dT%H%M%SZ)
    mkdir -p "$data" "$settings"
    for name in state.db history.db; do
        [ -f "$work/data/$name" ] || continue
        for old in "$data/$name" "$data/$name-wal" "$data/$name-shm"; do
            if [ -e "$old" ]; then mv "$old" "$old.before-$stamp"; fi
        done
        cp "$work/data/$name" "$data/$name"
        chown --reference="$data" "$data/$name"
    done
    (cd "$work/settings" && find . -type f) | while read -r file; do
        [ -e "$settings/$file" ] || { mkdir -p "$settings/$(dirname "$file")"; cp "$work/settings/$file" "$settings/$file"; }
    done
    echo "restored from $2; what was there is beside it as *.before-$stamp; settings that exist were left alone"
    ;;
*) fail "unknown: $1" ;;
esac
