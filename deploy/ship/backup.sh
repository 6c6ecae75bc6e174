#!/bin/sh
# Back-up and restore of settings, log book, events and history, each in one command.
#
#   backup.sh save FILE.tar.gz        while the gateway runs; safe, each database is copied as a whole
#   backup.sh restore FILE.tar.gz     with the gateway stopped; what was there is kept beside it
#   backup.sh daily                   save into BACKUP_DIR under the day of the week, and onto BACKUP_STICK where it is
#
# Passwords and keys (files of the settings that only their owner may read) are left out; their names are told.
set -eu
umask 077
settings=${CAMDRIFT_SETTINGS:-/etc/camdrift}
data=${CAMDRIFT_DATA:-/var/lib/camdrift}
python=${CAMDRIFT_PYTHON:-/opt/camdrift/venv/bin/python}

fail() { echo "backup.sh: $1" >&2; exit 2; }
if [ "${1:-}" = daily ] && [ $# -eq 1 ]; then
    folder=${BACKUP_DIR:-/var/backups/camdrift}
    mkdir -p "$folder"
    file=$folder/camdrift-$(LC_ALL=C date +%a).tar.gz
    "$0" save "$file"
    if [ -n "${BACKUP_STICK:-}" ]; then
        [ -d "$BACKUP_STICK" ] || fail "$BACKUP_STICK is not there: plug the stick in; $file was made"
        cp "$file" "$BACKUP_STICK/${file##*/}.part" && sync "$BACKUP_STICK/${file##*/}.part"
        mv "$BACKUP_STICK/${file##*/}.part" "$BACKUP_STICK/${file##*/}"
        echo "copied: $BACKUP_STICK/${file##*/}"
    fi
    exit
fi
[ $# -eq 2 ] || fail "save FILE.tar.gz, restore FILE.tar.gz, or daily"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

# The database's own copy function: whole and consistent, also while the gateway writes.
copy() { # from to
    "$python" - "$1" "$2" <<'P'
import sqlite3, sys
try:
    source, target = sqlite3.connect(f"file:{sys.argv[1]}?mode=ro", uri=True), sqlite3.connect(sys.argv[2])
    source.backup(target)
    target.execute("PRAGMA journal_mode=DELETE")
    found = target.execute("PRAGMA integrity_check").fetchone()[0]
except sqlite3.Error as e:
    found = str(e)
if found != "ok":
    sys.exit(f"backup.sh: {sys.argv[1]} is damaged ({found.splitlines()[0]}); go back to an older back-up")
P
}

# After a restore the next event's number may have been given before, to another event. Readers know an event by gateway
# and number; so what comes from now on comes from a gateway of a new name, and what waits keeps the old one. At its next
# start the gateway records which one it goes on from.
rename() {
    "$python" - "$1" <<'P'
import sqlite3, sys, uuid
with sqlite3.connect(sys.argv[1]) as db:
    db.execute("INSERT OR REPLACE INTO fact SELECT 'continues', value FROM fact WHERE key='gateway_id'")
    db.execute("UPDATE fact SET value=? WHERE key='gateway_id'", (str(uuid.uuid4()),))
P
}

case "$1" in
save)
    mkdir "$work/data"
    for name in state.db history.db; do
        [ -f "$data/$name" ] || continue
        copy "$data/$name" "$work/data/$name" || fail "nothing was saved"
    done
    [ -f "$work/data/state.db" ] || fail "$data holds no state.db; nothing was saved"
    # The second copy of the log book: lines are only ever added, and one that is cut short is passed over.
    [ ! -f "$data/logbook.jsonl" ] || cp "$data/logbook.jsonl" "$work/data/logbook.jsonl"
    cp -Rp "$settings" "$work/settings"  # with their modes, which tell the secrets
    [ ! -d "$data/photos" ] || cp -Rp "$data/photos" "$work/data/photos"  # of notes; each is whole or not there
    (cd "$work/settings" && find . -type f ! -perm /077 -print -delete | sort) >"$work/left-out"
    tar -C "$work" -czf "$2.part" data settings left-out
    sync "$2.part"
    mv "$2.part" "$2"
    echo "saved: $2 ($(du -h "$2" | cut -f1)); $(wc -l <"$work/left-out") files with passwords or keys are not in it"
    ;;
restore)
    [ -f "$2" ] || fail "$2 is not there"
    mkdir -p "$data" "$settings"
    exec 9>>"$data/lock"
    flock -n 9 || fail "the gateway runs; stop it first: systemctl stop camdrift"
    chown --reference="$data" "$data/lock"
    tar -C "$work" --no-same-owner -xzf "$2" || fail "$2 cannot be read; nothing was changed"
    [ -f "$work/data/state.db" ] && [ -d "$work/settings" ] || fail "$2 is not one of our back-ups; nothing was changed"
    for name in state.db history.db; do
        [ ! -f "$work/data/$name" ] || copy "$work/data/$name" "$work/$name" || fail "nothing was changed"
    done
    rename "$work/state.db"
    stamp=$(date -u +%Y%m%dT%H%M%SZ)
    for name in state.db history.db; do
        for old in "$data/$name" "$data/$name-wal" "$data/$name-shm" "$data/$name.suspect"; do
            if [ -e "$old" ]; then mv "$old" "$old.before-$stamp"; fi
        done
        [ -f "$work/$name" ] || continue
        cp "$work/$name" "$data/$name"
        chown --reference="$data" "$data/$name"
    done
    # Bookings since the back-up stand in the second copy alone: the gateway takes them from there at its next start.
    if [ -f "$work/data/logbook.jsonl" ] && [ ! -e "$data/logbook.jsonl" ]; then
        cp "$work/data/logbook.jsonl" "$data/logbook.jsonl"
        chown --reference="$data" "$data/logbook.jsonl"
    fi
    # A photo's name is made of its bytes: those that are there are the same.
    if [ -d "$work/data/photos" ]; then
        mkdir -p "$data/photos"
        cp -R "$work/data/photos/." "$data/photos"
        chown -R --reference="$data" "$data/photos"
        chmod 0700 "$data/photos"
    fi
    sync
    (cd "$work/settings" && find . -type f) | while read -r file; do
        [ ! -e "$settings/$file" ] || continue
        mkdir -p "$settings/$(dirname "$file")"
        cp "$work/settings/$file" "$settings/$file"
        chgrp --reference="$settings" "$settings/$file" && chmod 0640 "$settings/$file"
    done
    echo "restored from $2; what was there is beside it as *.before-$stamp; settings that exist were left alone"
    while read -r file; do
        [ -e "$settings/$file" ] || echo "to be put back by hand: $settings/${file#./}"
    done <"$work/left-out"
    ;;
*) fail "unknown: $1" ;;
esac
