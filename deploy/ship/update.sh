#!/bin/sh
# Update aboard from a stick, and back again, each in one command.
#
#   camdrift-update FILE.deb     with FILE.deb.sig beside it: verified before anything changes
#   camdrift-update back         the version that was here before the last update
#
# The signature is made ashore (`certificates.sh sign`); its key, /etc/camdrift/update.pem, comes with the ship's bundle.
# The gateway goes on while files are exchanged and is restarted once; how long it was away is printed.
set -eu
umask 077
key=${CAMDRIFT_UPDATE_KEY:-/etc/camdrift/update.pem}
keep=${CAMDRIFT_UPDATE_KEEP:-/var/lib/camdrift-update}
data=/var/lib/camdrift

fail() { echo "camdrift-update: $1" >&2; exit 1; }
[ $# -eq 1 ] || fail "FILE.deb, or back"
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

# How long the gateway was away at its last restart, s; nothing where it does not run.
away() {
    off=$(systemctl show camdrift -p ActiveExitTimestampMonotonic --value)
    on=$(systemctl show camdrift -p ActiveEnterTimestampMonotonic --value)
    [ "$off" -gt 0 ] && [ "$on" -gt "$off" ] || return 0
    echo "the alarm path was away for $(((on - off) / 1000000)).$(((on - off) / 100000 % 10)) s"
}

runs() { # waits until it is ready, for a bounded time
    for _ in $(seq 60); do
        case $(systemctl is-active camdrift || true) in
        active) return 0 ;;
        esac
        sleep 1
    done
    return 1
}

case "$1" in
back)
    [ -f "$keep/before.deb" ] || fail "no version is kept here from before: $keep/before.deb"
    old=$(field "$keep/before.deb" Version)
    new=$(installed)
    was_on=$(systemctl is-enabled camdrift 2>/dev/null || true)
    dpkg -i "$keep/before.deb"
    mv "$keep/before.deb" "$keep/gone-back-to-$old.deb"
    if [ "$was_on" = enabled ] && ! runs; then
        # The older program does not read a newer one's store: the back-up from before the update takes its place.
        backup=/var/backups/camdrift/before-$new-was-$old.tar.gz
        systemctl stop camdrift
        [ -f "$backup" ] || fail "version $old does not start, and $backup is not there: journalctl -u camdrift -n 30"
        /usr/lib/camdrift/backup.sh restore "$backup"
        systemctl start camdrift
        runs || fail "version $old does not start: journalctl -u camdrift -n 30"
    fi
    echo "back: $new -> $old"
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
    dpkg -i "$work/new.deb" || fail "the package was not installed. Back: camdrift-update back"
    if [ "$was_on" = enabled ]; then
        runs || fail "version $new does not start: journalctl -u camdrift -n 30. Back: camdrift-update back"
    fi
    echo "updated: $old -> $new; back again: camdrift-update back"
    away
    [ ! -d "$data" ] || echo "the store from before is in /var/backups/camdrift"
    ;;
esac
