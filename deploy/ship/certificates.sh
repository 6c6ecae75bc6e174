#!/bin/sh
# Makes the certificates for one ship, with openssl: a fleet's authority once, then a certificate for each ship.
#
#   certificates.sh authority DIR            the fleet's authority, ten years; keep DIR ashore, offline
#   certificates.sh ship DIR SLUG            a ship's certificate, 27 months
#   certificates.sh server DIR HOST          a broker's certificate, 27 months
#   certificates.sh signer DIR               the key that signs updates; update.pem goes aboard with each ship's bundle
#   certificates.sh sign DIR FILE            FILE.sig, for `camdrift-update`
#   certificates.sh left FILE                days until a certificate ends; status 1 below 90 days
#
# The ship's slug is the certificate's common name: the shore's broker lets it write that ship's topics and no others.
set -eu
umask 077
days_ca=3650
# Under the 825 days that clients commonly accept.
days_leaf=820

fail() { echo "certificates.sh: $1" >&2; exit 2; }
[ $# -ge 2 ] || fail "say what to make: authority DIR | ship DIR SLUG | server DIR HOST | signer DIR | sign DIR FILE | left FILE"

key() { openssl genpkey -algorithm EC -pkeyopt ec_paramgen_curve:P-256 -out "$1" 2>/dev/null; }

leaf() { # dir name common-name extension-lines
    [ -f "$1/ca.key" ] || fail "$1 holds no authority; make it first"
    [ ! -e "$1/$2.key" ] || fail "$1/$2.key is there already; move it away first"
    key "$1/$2.key"
    openssl req -new -key "$1/$2.key" -subj "/CN=$3" -out "$1/$2.csr"
    printf '%b' "${4}basicConstraints=critical,CA:FALSE\nsubjectKeyIdentifier=hash\nauthorityKeyIdentifier=keyid\n" >"$1/$2.ext"
    openssl x509 -req -in "$1/$2.csr" -CA "$1/ca.pem" -CAkey "$1/ca.key" -CAcreateserial -days "$days_leaf" \
        -sha256 -extfile "$1/$2.ext" -out "$1/$2.pem" 2>/dev/null
    rm "$1/$2.csr" "$1/$2.ext"
    echo "$1/$2.pem and $1/$2.key, until $(openssl x509 -in "$1/$2.pem" -noout -enddate | cut -d= -f2)"
}

case "$1" in
authority)
    mkdir -p "$2"
    [ ! -e "$2/ca.key" ] || fail "$2/ca.key is there already"
    key "$2/ca.key"
    openssl req -x509 -new -key "$2/ca.key" -sha256 -days "$days_ca" -subj "/CN=camdrift fleet authority" \
        -addext "basicConstraints=critical,CA:TRUE" -addext "keyUsage=critical,keyCertSign,cRLSign" -out "$2/ca.pem"
    echo "$2/ca.pem and $2/ca.key; keep the key ashore and offline"
    ;;
ship)
    [ $# -eq 3 ] || fail "ship DIR SLUG"
    echo "$3" | grep -qE '^[a-z0-9-]{1,32}$' || fail "$3 is no slug: a-z, 0-9 and -, at most 32"
    leaf "$2" "$3" "$3" 'keyUsage=critical,digitalSignature\nextendedKeyUsage=clientAuth\n'
    ;;
server)
    [ $# -eq 3 ] || fail "server DIR HOST"
    if echo "$3" | grep -qE '^[0-9.]+$'; then san="IP:$3"; else san="DNS:$3"; fi
    leaf "$2" "$3" "$3" "keyUsage=critical,digitalSignature\nextendedKeyUsage=serverAuth\nsubjectAltName=$san\n"
    ;;
signer)
    mkdir -p "$2"
    [ ! -e "$2/update.key" ] || fail "$2/update.key is there already"
    key "$2/update.key"
    openssl pkey -in "$2/update.key" -pubout -out "$2/update.pem"
    echo "$2/update.pem and $2/update.key; keep the key ashore and offline"
    ;;
sign)
    [ $# -eq 3 ] || fail "sign DIR FILE"
    [ -f "$2/update.key" ] || fail "$2 holds no key that signs updates; make it first: signer DIR"
    openssl dgst -sha256 -sign "$2/update.key" -out "$3.sig" "$3"
    echo "$3.sig"
    ;;
left)
    end=$(openssl x509 -in "$2" -noout -enddate 2>/dev/null) || fail "$2 is no certificate"
    end=${end#notAfter=}
    left=$((($(date -d "$end" +%s) - $(date +%s)) / 86400))
    echo "$2: $left days left, until $end"
    [ "$left" -ge 90 ]
    ;;
*) fail "unknown: $1" ;;
esac
