# Read by deploy/install: the copies of the records that it makes before an upgrade, in /var/lib/larderer/before-upgrade.
# $dir is the root that it installs under, blank for this machine.

# Where larderer.toml names a server, the records are no file of this machine. (url_file and url_env do not show which, and count as one.)
on_server() {
    awk '/^[ \t]*\[/ { in_store = ($0 ~ /^[ \t]*\[store\]/) } in_store && /^[ \t]*url(_file|_env)?[ \t]*=/ && !/sqlite:/ { found = 1 }
        END { exit !found }' "$dir/etc/larderer/larderer.toml" 2>/dev/null
}

# The database file: in the data folder that larderer.toml names.
records() {
    folder="$(sed -n -e '/^[ \t]*\[/q' -e "s/^[ \t]*data[ \t]*=[ \t]*[\"']\([^\"']*\)[\"'].*/\1/p" "$dir/etc/larderer/larderer.toml" 2>/dev/null | head -n 1)"
    case "$folder" in /*) ;; *) folder="/etc/larderer/${folder:-data}" ;; esac
    printf '%s\n' "$dir$folder/larderer.sqlite"
}

# Whether the service has not run yet, so that there is nothing to copy; not where the records may be elsewhere.
nothing_recorded() {
    awk '/^[ \t]*\[/ { in_store = ($0 ~ /^[ \t]*\[store\]/) } in_store && /^[ \t]*url(_file|_env)?[ \t]*=/ { found = 1 } END { exit found }' \
        "$dir/etc/larderer/larderer.toml" 2>/dev/null || return 1
    case "$(records)" in *"/~"*) return 1 ;; esac
    [ ! -e "$(records)" ]
}

# newest_copy FILE: the file itself, else the newest that an earlier upgrade left under that name and a time; nothing where none is.
newest_copy() {
    # The names are this script's own.
    # shellcheck disable=SC2012
    if [ -f "$1" ]; then printf '%s\n' "$1"; else ls -1t -- "$1".* 2>/dev/null | head -n 1; fi
}

# prune_copies FOLDER: two copies of the records stay, the newest.
prune_copies() {
    # shellcheck disable=SC2012
    ls -1t -- "$1"/*.sqlite* 2>/dev/null | tail -n +3 | while IFS= read -r file; do
        rm -f -- "$file"
        say "  $file deleted: the two newest copies stay"
    done
}

# room_for MEGABYTES FOLDER WHAT: 1 with a sentence where that much, and 50 MB to spare, is not free.
room_for() {
    needed=$(($1 + 50))
    free=$(($(df -P -k "$2" | awk 'NR == 2 { print $4 }') * 1024 / 1000000))
    [ "$free" -ge "$needed" ] && return 0
    say "$3 needs $needed MB, and $free MB are free at $2. Nothing was changed."
    say "Make room (old exports that are on another disk too, copies in /var/lib/larderer/before-upgrade), then start this again."
    return 1
}

# megabytes FOLDER: what is in it, rounded up.
megabytes() {
    printf '%s\n' $(($(du -sk "$1" | cut -f 1) * 1024 / 1000000 + 1))
}

# room_for_copy RECORDS FOLDER MORE: 1 with a sentence where a copy of the records, a tenth over and MORE megabytes would not fit.
room_for_copy() {
    copied=0
    for file in "$1" "$1-wal"; do
        if [ -f "$file" ]; then copied=$((copied + $(stat -c %s "$file") / 1000000)); fi
    done
    copied=$((copied + copied / 10 + ${3:-0}))
    what="The copy of the records before the upgrade"
    if [ "${3:-0}" -gt 0 ]; then what="$what, with the new version,"; fi
    room_for "$copied" "$2" "$what"
}

# as_service COMMAND…: run it as the service's user, in the environment that systemd gives the service: the store's address may stand there.
as_service() {
    files="$(systemctl show larderer --property=EnvironmentFiles --value 2>/dev/null | sed -n 's/ (ignore_errors=[a-z]*)$//p')"
    lines="$(systemctl show larderer --property=Environment --value 2>/dev/null || :)"
    (
        set -- -- "$@"
        plain=yes
        if [ -n "$lines" ]; then
            set -- "--property=Environment=$lines" "$@"
            plain=no
        fi
        while IFS= read -r file; do
            if [ -n "$file" ] && [ -f "$file" ]; then
                set -- "--property=EnvironmentFile=$file" "$@"
                plain=no
            fi
        done <<END
$files
END
        if [ "$plain" = yes ]; then exec runuser -u larderer "$@"; fi
        exec systemd-run --quiet --wait --pipe --collect --uid=larderer --gid=larderer --working-directory=/var/lib/larderer "$@"
    )
}

# not_verified COPY: what becomes of an upgrade whose copy failed: 0 where it goes on all the same.
not_verified() {
    if [ ! -f "$1" ]; then # none was made at all
        say "The records could not be copied, so the upgrade stops here; $before goes on. Mend what is said above and start this again."
        return 1
    fi
    if [ "$unsound" = yes ]; then
        kept="${1%.sqlite}-not-verified.sqlite"
        mv -f "$1" "$kept"
        say "The records do not agree with their hashes, and the upgrade goes on because you said so. They stay as they are, the copy too: $kept"
        return 0
    fi
    rm -f "$1"
    say "The records do not agree with their hashes, so the upgrade stops here; $before goes on. Have a reviewer look at what is said above."
    say "To upgrade all the same, with the records as they are: sudo deploy/install --records-do-not-verify"
    return 1
}
