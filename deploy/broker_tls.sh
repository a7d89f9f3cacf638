# Read by deploy/install: the broker's door for probes on the network, with TLS, from an authority of the board's own (openssl(1)).
# Everything of it is in $tls: ca.crt, which probes are given, and ca.key, broker.crt, broker.key, which nobody is.

tls_days=730           # the service rings a month before the certificate ends
tls_authority_days=7300 # probes trust the authority: it outlives the board
tls_renew_days=180     # an install that finds less than this left makes a new certificate

# tls_names NAME…: the names and addresses by which probes reach this board, one a line, sorted, as a certificate has them (RFC 5280, 4.2.1.6).
tls_names() {
    for name in "$@"; do
        case "$name" in *[!0-9A-Za-z.:-]* | -* | .*) say "\"$name\" is no host name or address; write such as --broker-tls board.local,192.0.2.7"; return 1 ;; esac
    done
    for name in "$@"; do
        case "$name" in
        *:* | [0-9]*.[0-9]*.[0-9]*.[0-9]*) printf 'IP:%s\n' "$name" ;;
        *) printf 'DNS:%s\n' "$name" ;;
        esac
    done | LC_ALL=C sort -u
}

# openssl_does ARGUMENTS: what openssl says is told where it fails.
openssl_does() {
    told="$(openssl "$@" 2>&1)" && return 0
    say "$told"
    say "openssl did not make the broker's certificate; what it says is above."
    return 1
}

# tls_key FILE: a new private key, readable by root alone from its first byte on.
tls_key() {
    rm -f "$1"
    (umask 077 && openssl_does ecparam -name prime256v1 -genkey -noout -out "$1")
}

# tls_authority: made once; probes that were given ca.crt go on trusting what is signed later. The key may be kept elsewhere meanwhile.
tls_authority() {
    if [ -s "$tls/ca.crt" ]; then return 0; fi
    tls_key "$tls/ca.key.new"
    openssl_does req -x509 -new -key "$tls/ca.key.new" -sha256 -days "$tls_authority_days" -out "$tls/ca.crt.new" \
        -subj "/CN=Larderer broker authority" -addext basicConstraints=critical,CA:TRUE,pathlen:0 -addext keyUsage=critical,keyCertSign,cRLSign
    mv "$tls/ca.key.new" "$tls/ca.key"
    mv "$tls/ca.crt.new" "$tls/ca.crt"
    note_change "$tls/ca.crt"
    say "  $tls/ca.crt: give this file to every probe that speaks to the broker over the network"
}

# tls_stands: whether certificate and key belong together and to the authority, for the names in $tls/names, with enough left.
tls_stands() {
    cmp -s "$tls/names" "$tls/made-for" &&
        [ "$(openssl x509 -in "$tls/broker.crt" -noout -pubkey 2>&1)" = "$(openssl pkey -in "$tls/broker.key" -pubout 2>/dev/null)" ] &&
        openssl x509 -in "$tls/broker.crt" -noout -checkend $((tls_renew_days * 86400)) >/dev/null 2>&1 &&
        openssl verify -CAfile "$tls/ca.crt" "$tls/broker.crt" >/dev/null 2>&1
}

# tls_certificate: made anew where it does not stand.
tls_certificate() {
    if tls_stands; then return 0; fi
    if [ ! -s "$tls/ca.key" ]; then
        say "The broker's certificate has to be made anew, and $tls/ca.key is not there. Put it back, then start this again."
        say "Where it is lost: delete $tls/ca.crt too, and give the new one to every probe."
        return 1
    fi
    {
        printf 'basicConstraints = critical, CA:FALSE\nkeyUsage = critical, digitalSignature\nextendedKeyUsage = serverAuth\n'
        printf 'subjectKeyIdentifier = hash\nauthorityKeyIdentifier = keyid\nsubjectAltName = %s\n' "$(paste -s -d , "$tls/names")"
    } >"$tls/extensions.new"
    tls_key "$tls/broker.key.new"
    openssl_does req -new -key "$tls/broker.key.new" -subj "/CN=Larderer broker" -out "$tls/broker.csr.new"
    openssl_does x509 -req -in "$tls/broker.csr.new" -CA "$tls/ca.crt" -CAkey "$tls/ca.key" -sha256 -days "$tls_days" \
        -set_serial "0x$(openssl rand -hex 16)" -extfile "$tls/extensions.new" -out "$tls/broker.crt.new"
    rm -f "$tls/extensions.new" "$tls/broker.csr.new"
    note_change "$tls/broker.crt"
    mv "$tls/broker.key.new" "$tls/broker.key"
    mv "$tls/broker.crt.new" "$tls/broker.crt"
    cp "$tls/names" "$tls/made-for"
    say "  $tls/broker.crt for $(paste -s -d ' ' "$tls/names"), $(openssl x509 -in "$tls/broker.crt" -noout -enddate | sed 's/notAfter=/until /')"
}

# broker_tls NAMES: the names given, parted by commas; blank: those given before. Nothing where none ever were.
# Called where set -e holds, so that what fails ends it: a part of a file would keep the broker from starting.
broker_tls() {
    tls="$dir/etc/mosquitto/larderer-tls"
    if [ -z "$1" ] && [ ! -s "$tls/names" ]; then return 0; fi
    command -v openssl >/dev/null 2>&1 || { [ "$real" = yes ] && debian_install openssl; } || { say "openssl is not here; install it, then start this again."; return 1; }
    door="$(grep -lsE '^[[:space:]]*listener[[:space:]]+8883([[:space:]]|$)' "$dir/etc/mosquitto/mosquitto.conf" "$dir"/etc/mosquitto/conf.d/*.conf |
        grep -v '/larderer-tls\.conf$' || :)"
    if [ -n "$door" ]; then
        say "The broker has a listener on 8883 already, in $door, so none was made; take it out there, then start this again."
        return 1
    fi
    mkdir -p "$tls"
    chmod 0755 "$tls"
    if [ -n "$1" ]; then
        # shellcheck disable=SC2046 # one word for each name
        tls_names $(printf '%s' "$1" | tr , ' ') >"$tls/names.new" || { rm -f "$tls/names.new"; return 1; }
        [ -s "$tls/names.new" ] || { say "--broker-tls names no host; write such as --broker-tls board.local,192.0.2.7"; return 1; }
        if cmp -s "$tls/names.new" "$tls/names"; then rm -f "$tls/names.new"; else mv "$tls/names.new" "$tls/names"; fi
    fi
    tls_authority
    tls_certificate
    conf_tls="$dir/etc/mosquitto/conf.d/larderer-tls.conf"
    if [ -f "$conf_tls" ] && changed_by_hand "$conf_tls" "$root/deploy/mosquitto-tls.conf"; then
        say "  $conf_tls was changed by hand, so it stays as it is."
    else
        put 0644 root:root "$root/deploy/mosquitto-tls.conf" "$conf_tls"
    fi
    # The service watches when these end, and rings before (certificates beside larderer.toml).
    cat "$tls/broker.crt" "$tls/ca.crt" >"$tls/both.new"
    put 0644 root:root "$tls/both.new" "$dir/etc/larderer/broker.crt"
    rm -f "$tls/both.new"
    chmod 0644 "$tls/ca.crt" "$tls/broker.crt"
    if [ -e "$tls/ca.key" ]; then chmod 0600 "$tls/ca.key"; fi
    chmod 0640 "$tls/broker.key"
    if [ "$real" = yes ]; then chown root:mosquitto "$tls/broker.key"; fi
}
