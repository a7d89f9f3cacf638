# Read by deploy/install and deploy/uninstall: what was written and by whom it was changed since, what is to be started anew, and what is
# said where it does not come up. $opt is the folder of the program's versions, $dir the root, blank for this machine.

# Everything that systemd starts of ours. Copies of the records are the timers' work; each day's export is the service's own.
timers="larderer-backup.timer larderer-rehearsal.timer"
units="larderer.service larderer-backup.service larderer-rehearsal.service $timers"

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

# note_written FILE: the sum of a file as it was put there, so that a later version knows whether a person has changed it.
note_written() {
    line="$(sha256sum <"$1" | cut -d ' ' -f 1) ${1#"$dir"}"
    if grep -qxF "$line" "$opt/written" 2>/dev/null; then return 0; fi
    mkdir -p "$opt"
    { awk -v file="${1#"$dir"}" '$2 != file' "$opt/written" 2>/dev/null || :; printf '%s\n' "$line"; } >"$opt/written.new"
    mv "$opt/written.new" "$opt/written"
}

# as_written FILE: whether it is still as an install put it there; 2 where no install has noted that.
as_written() {
    noted="$(awk -v file="${1#"$dir"}" '$2 == file { print $1 }' "$opt/written" 2>/dev/null || :)"
    [ -n "$noted" ] || return 2
    [ "$noted" = "$(sha256sum <"$1" | cut -d ' ' -f 1)" ]
}

# changed_by_hand FILE OURS: whether somebody has changed FILE; where no install has noted what it wrote, whether it has settings that OURS lacks.
changed_by_hand() {
    known=0
    as_written "$1" || known=$?
    case "$known" in
    0) return 1 ;;
    1) return 0 ;;
    *) [ -n "$(own_settings "$1" "$2")" ] ;;
    esac
}

# name_devices: new rules are read, and hold for what is plugged in already (udevadm(8)).
name_devices() {
    case "$(changes)" in */udev/rules.d/*) ;; *) return 0 ;; esac
    udevadm control --reload 2>/dev/null && udevadm trigger --subsystem-match=tty 2>/dev/null && return 0
    say "  udev did not take the new rules for serial adapters now; after the next start of this machine they hold."
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
    # shellcheck disable=SC2086 # one word for each
    case "$(changes)" in *.timer*) systemctl restart $timers || : ;; esac
    # shellcheck disable=SC2086
    systemctl enable --now $timers >/dev/null 2>&1 || say "  The timers for copies of the records did not start; systemctl status $timers says why."
    # A watch that goes on is not interrupted for nothing.
    case "$(changes)" in */opt/larderer/current* | */larderer.service*) how=restart ;; *) how=start ;; esac
    systemctl "$how" larderer && return 0
    say "LARDERER DID NOT COME UP, so nothing is watched. journalctl -u larderer says why; it is tried again without end."
    if [ -d "$opt/before/" ]; then say "To put the version before in force again: sudo deploy/install --roll-back"; fi
    return 1
}
