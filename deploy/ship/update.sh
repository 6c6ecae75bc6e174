#!/bin/sh
# Update aboard from a stick, and back again, each in one command.
#
#   camdrift-update FILE.deb     with FILE.deb.sig beside it: verified before anything changes
#   camdrift-update back         the version that was here before the last update
#   camdrift-update store        the store from before, where the version that is here refuses that of a newer one
#
# The signature is made ashore (`certificates.sh sign`); its key, /etc/camdrift/update.pem, comes with the ship's bundle.
# The gateway goes on while files are exchanged and is restarted once; how long it was away is printed.
set -eu
umask 077
key=${CAMDRIFT_UPDATE_KEY:-/etc/camdrift/update.pem}
keep=${CAMDRIFT_UPDATE_KEEP:-/var/lib/camdrift-update}
data=${CAMDRIFT_DATA:-/var/lib/camdrift}
backups=${CAMDRIFT_BACKUPS:-/var/backups/camdrift}
restore=${CAMDRIFT_RESTORE:-/usr/lib/camdrift/backup.sh}

fail() { echo "camdrift-update: $1" >&2; exit 1; }
[ $# -eq 1 ] || fail "FILE.deb, back, or store"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

installed() { dpkg-query -W -f '${Version}' camdrift 2>/dev/null || true; }

field() { dpkg-deb -f "$1" "$2" 2>/dev/null || true; }

# The package as it is installed, put together from dpkg's own lists: so there is always a way back.
repack() { # target
    tree=$work/tree
    mkdir -p "$tree/DEBIAN"
    dpkg-query -L camdrift | while read -r path; do
        if [ -L "$path" ] || [ -f "$path" ]; then
            mkdir -p "$tree$(dirname "$path")"
            cp -a "$path" "$tree$path"
        fi
    done
    chmod 0755 "$tree"
    dpkg-query -s camdrift | sed '/^Status:/d; /^Conffiles:/,/^[^ C]/{/^Conffiles:/d; /^ /d}' >"$tree/DEBIAN/control"
    dpkg-query --control-list camdrift | while read -r name; do
        cp "$(dpkg-query --control-path camdrift "$name")" "$tree/DEBIAN/$name"
        case $name in
        preinst | postinst | prerm | postrm | config) chmod 0755 "$tree/DEBIAN/$name" ;;
        *) chmod 0644 "$tree/DEBIAN/$name" ;;
        esac
    done
    find "$tree" -type d -exec chmod 0755 {} +
    dpkg-deb --root-owner-group -Zgzip -z1 --build "$tree" "$1.part" >/dev/null
    mv "$1.part" "$1"
    rm -rf "$tree"
}

# Files under /etc that were changed here stay as they are, without a question: nobody may be there to answer it.
put_in() { dpkg --force-confold -i "$1"; }

# How long the gateway was away at its last restart, s; nothing where it does not run.
away() {
    off=$(systemctl show camdrift -p ActiveExitTimestampMonotonic --value)
    on=$(systemctl show camdrift -p ActiveEnterTimestampMonotonic --value)
    [ "$off" -gt 0 ] && [ "$on" -gt "$off" ] || return 0
    echo "the alarm path was away for $(((on - off) / 1000000)).$(((on - off) / 100000 % 10)) s"
}

# From here on what the gateway says counts.
listen() { heard=$(journalctl -q -n 0 --show-cursor 2>/dev/null | sed -n 's/^-- cursor: //p'); }

# Does the version that is here refuse the store, because a newer one wrote it? The gateway itself says so as it starts.
refused() {
    journalctl -q -u camdrift -o cat ${heard:+--after-cursor "$heard"} 2>/dev/null | grep -q 'newer camdrift'
}

runs() { # waits until it is ready, for a bounded time
    for _ in $(seq 60); do
        case $(systemctl is-active camdrift || true) in
        active) return 0 ;;
        esac
        refused && return 1
        sleep 1
    done
    return 1
}

# The store from before the update takes the place of the one that this version refuses. The log book's second copy
# stays: what was booked since then is in it, and the gateway takes it from there.
store_before() { # version
    backup=$(ls -t "$backups"/before-*-was-"$1".tar.gz 2>/dev/null | head -n 1)
    [ -n "$backup" ] || fail "no back-up of version $1 is in $backups. Put one in place: $restore restore FILE.tar.gz"
    echo "the store from before the update takes its place: $backup"
    systemctl stop camdrift
    "$restore" restore "$backup" ||
        fail "the store was not exchanged, and the gateway is stopped. Mend that, then again: camdrift-update store"
    listen
    systemctl start camdrift || true
    runs || fail "version $1 does not start: journalctl -u camdrift -n 30"
    echo "the log book has what was booked since then. Events and trends since then are beside it, in $data/*.before-…"
}

case "$1" in
back)
    [ -f "$keep/before.deb" ] || fail "no version is kept here from before: $keep/before.deb"
    old=$(field "$keep/before.deb" Version)
    new=$(installed)
    was_on=$(systemctl is-enabled camdrift 2>/dev/null || true)
    listen
    put_in "$keep/before.deb"
    mv "$keep/before.deb" "$keep/gone-back-to-$old.deb"
    # It may have been stopped: what the older version says to the store shows once it is started.
    [ "$was_on" != enabled ] || systemctl -q is-active camdrift || systemctl start camdrift || true
    if [ "$was_on" = enabled ] && ! runs; then
        refused || fail "version $old does not start: journalctl -u camdrift -n 30"
        echo "version $old cannot read the store that $new wrote"
        store_before "$old"
    fi
    echo "back: $new -> $old"
    away
    ;;
store)
    old=$(installed)
    [ -n "$old" ] || fail "camdrift is not installed: apt install ./camdrift_….deb"
    ! systemctl -q is-active camdrift || fail "version $old runs, so it can read its store; nothing was changed"
    listen
    systemctl start camdrift || true
    ! runs || fail "version $old has started, so it can read its store; nothing was changed"
    refused || fail "version $old does not start, for another reason: journalctl -u camdrift -n 30. Nothing was changed"
    store_before "$old"
    away
    ;;
*)
    [ -f "$1" ] || fail "$1 is not there"
    [ -f "$1.sig" ] || fail "$1.sig is not there: the signature lies beside the package"
    [ -f "$key" ] || fail "$key is not there: it comes with the ship's bundle (camdrift setup --only shore)"
    # A copy is verified and installed: the stick may be pulled, or hold something else a moment later.
    cp "$1" "$work/new.deb"
    cp "$1.sig" "$work/new.sig"
    openssl dgst -sha256 -verify "$key" -signature "$work/new.sig" "$work/new.deb" >/dev/null 2>&1 ||
        fail "the signature is not right; nothing was changed. Have package and signature copied again"
    [ "$(field "$work/new.deb" Package)" = camdrift ] || fail "$1 is not the package camdrift; nothing was changed"
    new=$(field "$work/new.deb" Version)
    old=$(installed)
    [ -n "$old" ] || fail "camdrift is not installed: apt install ./$(basename "$1")"
    dpkg --compare-versions "$new" gt "$old" ||
        fail "$new is not newer than $old; nothing was changed. To go back: camdrift-update back"
    dpkg-deb -f "$work/new.deb" Architecture | grep -qx "$(dpkg --print-architecture)" ||
        fail "$1 is for another processor; nothing was changed"
    free_kb=$(df -Pk /usr | awk 'END {print $4}')
    [ "$free_kb" -gt $((2 * $(field "$work/new.deb" Installed-Size))) ] || fail "not enough room on the disk; nothing was changed"
    mkdir -p "$keep"
    repack "$keep/before.deb"
    was_on=$(systemctl is-enabled camdrift 2>/dev/null || true)
    listen
    put_in "$work/new.deb" || fail "the package was not installed. Back: camdrift-update back"
    if [ "$was_on" = enabled ]; then
        runs || fail "version $new does not start: journalctl -u camdrift -n 30. Back: camdrift-update back"
    fi
    echo "updated: $old -> $new; back again: camdrift-update back"
    away
    [ ! -d "$data" ] || echo "the store from before is in $backups"
    ;;
esac
