# Read by deploy/install: what has changed and is to be started anew, and what is said where it does not come up.
# $opt is the folder of the program's versions.

# note_change FILE: remembered on the disk before the file is put there, until what reads it was started anew: an install
# that was cut short leaves that owed to the next one.
note_change() {
    mkdir -p "$opt"
    printf '%s\n' "$1" >>"$opt/unfinished"
}

# What was changed since everything was last started.
changes() {
    cat "$opt/unfinished" 2>/dev/null || :
}

# own_settings FILE OURS: the settings in FILE that OURS does not have.
own_settings() {
    awk '{ sub(/^[ \t]+/, ""); sub(/[ \t\r]+$/, "") } /^#/ || $0 == "" { next } NR == FNR { ours[$0]; next } !($0 in ours)' "$2" "$1"
}

# signed_in_by_certificate FOLDER: whether a broker configured there takes names from certificates (mosquitto.conf(5)).
signed_in_by_certificate() {
    grep -rqsE '^[[:space:]]*use_(identity|subject)_as_username[[:space:]]+true' "$1"
}

start_broker() {
    systemctl enable mosquitto >/dev/null 2>&1 || :
    case "$(changes)" in */etc/mosquitto/*) how=restart ;; *) how=start ;; esac
    systemctl "$how" mosquitto && return 0
    say "THE BROKER DID NOT START, so no probe that speaks MQTT is heard. journalctl -u mosquitto says why; mend that, then start this again."
    return 1
}

start_service() {
    systemctl enable larderer >/dev/null 2>&1 || :
    # A watch that goes on is not interrupted for nothing.
    case "$(changes)" in */opt/larderer/current* | */larderer.service*) how=restart ;; *) how=start ;; esac
    systemctl "$how" larderer && return 0
    say "LARDERER DID NOT COME UP, so nothing is watched. journalctl -u larderer says why; it is tried again without end."
    if [ -d "$opt/before/" ]; then say "To put the version before in force again: sudo deploy/install --roll-back"; fi
    return 1
}
