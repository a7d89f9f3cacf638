# Read by deploy/demo and deploy/test: finds a Python, makes a virtual environment with exactly the pinned packages.
# Every function says on standard error what is missing and what to do about it.

say() {
    printf '%s\n' "$*" >&2
}

is_root() {
    [ "$(id -u)" -eq 0 ]
}

# Install Debian packages where that is allowed; returns 1 where it is not or where it fails.
debian_install() {
    command -v apt-get >/dev/null 2>&1 || return 1
    is_root || return 1
    say "Installing Debian packages: $*"
    log="$(mktemp)"
    if DEBIAN_FRONTEND=noninteractive apt-get update -q >"$log" 2>&1 &&
        DEBIAN_FRONTEND=noninteractive apt-get install -q -y --no-install-recommends "$@" >>"$log" 2>&1; then
        rm -f "$log"
        return 0
    fi
    say "apt-get did not manage that. It said at the end:"
    tail -n 5 "$log" >&2
    rm -f "$log"
    return 1
}

# Print the first Python that is new enough and can make virtual environments.
python_that_fits() {
    for candidate in ${PYTHON:-} python3 python3.11 python3.12 python3.13 python3.14 /usr/bin/python3; do
        command -v "$candidate" >/dev/null 2>&1 || continue
        if "$candidate" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; then
            printf '%s\n' "$candidate"
            return 0
        fi
    done
    return 1
}

find_python() {
    python_that_fits && return 0
    if debian_install python3 python3-venv && python_that_fits; then
        return 0
    fi
    say "There is no Python 3.11 or newer here that can make a virtual environment."
    say "On a Debian-family system:  sudo apt-get update && sudo apt-get install python3 python3-venv"
    say "Elsewhere install Python 3.11 or newer with its venv and pip; PYTHON=/path/to/python chooses one."
    return 1
}

# pip into $folder; what it says goes to standard error.
install() {
    "$folder/bin/python" -m pip --quiet --quiet --disable-pip-version-check --no-input install "$@" >&2
}

# make_environment FOLDER REQUIREMENTS: a virtual environment with exactly these packages and this checkout in it.
# With editable="" the checkout is copied in instead of being pointed at.
# It is made once, and again when the pins, the commands or the place of the checkout have changed.
make_environment() {
    folder="$1"
    requirements="$2"
    wanted="$(printf '%s\n' "$root" && cat "$root/pyproject.toml" "$root/deploy/requirements.txt" "$requirements")"
    if [ -x "$folder/bin/python" ] && "$folder/bin/python" -c '' 2>/dev/null &&
        [ -f "$folder/made-from" ] && [ "$(cat "$folder/made-from")" = "$wanted" ]; then
        return 0
    fi
    python="$(find_python)" || return 1
    say "Setting up $folder (only this once)…"
    if [ -e "$folder" ] && [ ! -f "$folder/pyvenv.cfg" ]; then
        say "$folder is there and is no virtual environment; name another place with LARDERER_VENV=/path/to/folder."
        return 1
    fi
    rm -rf "$folder"
    if ! "$python" -m venv "$folder" >&2; then
        say "$folder could not be made. Make the place writable, or choose another with LARDERER_VENV=/path/to/folder."
        return 1
    fi
    # The pins name everything that is needed, so pip need not work that out, and Python compiles what it uses when it uses it.
    if ! { install --no-deps --no-compile --requirement "$requirements" && "$folder/bin/python" -m pip check >/dev/null; }; then
        # Another Python or processor may need a package that the pins do not name.
        if ! install --requirement "$requirements"; then
            say "The packages could not be installed: look at the lines above, check the network, and start this again."
            return 1
        fi
    fi
    # shellcheck disable=SC2086 # --editable or nothing
    if ! install --no-deps --no-build-isolation ${editable---editable} "$root"; then
        say "This checkout could not be installed into $folder: look at the lines above; the checkout must be writable."
        return 1
    fi
    printf '%s\n' "$wanted" >"$folder/made-from"
}
