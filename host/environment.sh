# Read by host/run and tests/run: makes the Python environment of this clone, .venv, once.
# make_environment EXTRAS   installs pitscribe[EXTRAS] (one name, or several with commas between) unless that was done
#                           for this pyproject.toml at this place.

say() { printf '%s\n' "$*" >&2; }

find_python() {
    for python in "${PYTHON:-python3}" python3.13 python3.12 python3.11; do
        if "$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            printf '%s\n' "$python"
            return
        fi
    done
    say "pitscribe: needs Python 3.11 or later; install it (Debian: apt-get install python3 python3-venv)"
    exit 1
}

# made_for EXTRA WANTED  whether it was installed, and is what is wanted now.
made_for() {
    [ -x "$venv/bin/pitscribe" ] && [ "$(cat "$venv/made-for-$1" 2>/dev/null)" = "$2" ]
}

make_environment() {
    extras=$1
    venv=$here/.venv
    # The place is part of it: an environment that was moved, or that came with a copied clone, does not run.
    wanted="$here $(cksum <"$here/pyproject.toml")"
    missing=
    for extra in $(printf '%s' "$extras" | tr ',' ' '); do
        made_for "$extra" "$wanted" || missing="$missing $extra"
    done
    [ -n "$missing" ] || return 0
    # All that this prints goes to standard error: the command's own output may be piped.
    say "pitscribe: setting up $venv (once)"
    if [ ! -x "$venv/bin/python" ] || [ "$(cat "$venv/made-at" 2>/dev/null)" != "$here" ]; then
        python=$(find_python) || exit 1
        "$python" -m venv --clear "$venv" >&2 || {
            say "pitscribe: cannot make $venv; on Debian: apt-get install python3-venv"
            exit 1
        }
        printf '%s' "$here" >"$venv/made-at"
    fi
    "$venv/bin/python" -m pip --disable-pip-version-check --quiet install --editable "$here[$extras]" >&2 || {
        say "pitscribe: could not install what it needs (see above); is there a network? Run it again to go on"
        exit 1
    }
    # The tests' extras hold all that the commands need.
    if [ "$extras" = test ]; then missing="$missing demo outfit"; fi
    for extra in $missing; do
        printf '%s' "$wanted" >"$venv/made-for-$extra"
    done
}
