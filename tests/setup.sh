# shellcheck shell=bash
# Sourced by demo/run and tests/run: makes the project's own virtual environment in .venv and
# installs the system packages that are missing, where that is permitted.
# Callers set `wanted_packages` (Debian names) and `sync_options` first.

project_root="$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)"
cd "$project_root"

say() { printf '%s\n' "$*"; }
fail() { printf '%s\n' "$*" >&2; exit 1; }

find_python() {
    local candidate
    for candidate in python3 python3.14 python3.13 python3.12 python3.11; do
        if command -v "$candidate" >/dev/null 2>&1 &&
            "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            printf '%s' "$candidate"
            return 0
        fi
    done
    return 1
}

missing_packages() {
    command -v dpkg-query >/dev/null 2>&1 || return 0
    local package
    for package in "$@"; do
        dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'install ok installed' ||
            printf '%s ' "$package"
    done
}

install_packages() { # as root or with password-free sudo; otherwise a clear list
    local missing become=""
    missing="$(missing_packages "$@")"
    [ -n "$missing" ] || return 0
    if [ "$(id -u)" -ne 0 ]; then
        if command -v sudo >/dev/null 2>&1 && sudo -n true 2>/dev/null; then
            become="sudo"
        else
            say "These system packages are missing; please install them and start again:"
            say "    sudo apt-get install $missing"
            return 1
        fi
    fi
    command -v apt-get >/dev/null 2>&1 || { say "Please install: $missing"; return 1; }
    say "Installing system packages: $missing"
    # shellcheck disable=SC2086
    { $become apt-get update -qq &&
        $become env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing; } \
        >"${TMPDIR:-/tmp}/platerig-apt-$$.log" 2>&1 || {
        say "apt-get did not succeed; its last lines:"
        tail -n 5 "${TMPDIR:-/tmp}/platerig-apt-$$.log"
        say "Please install by hand: $missing"
        return 1
    }
}

make_environment() {
    local python
    if ! python="$(find_python)"; then
        install_packages python3 python3-venv || fail "Python 3.11 or newer is needed."
        python="$(find_python)" || fail "Python 3.11 or newer is needed; this system has an older one."
    fi
    if [ ! -x .venv/bin/python ] || ! .venv/bin/python -c 'import pip' 2>/dev/null; then
        if ! "$python" -m venv --clear .venv >/dev/null 2>&1; then
            install_packages python3-venv || fail "Python's venv module is needed."
            "$python" -m venv --clear .venv
        fi
    fi
    # The lock file is uv's; uv itself comes into the project's own environment.
    .venv/bin/python -m uv --version >/dev/null 2>&1 ||
        .venv/bin/python -m pip install --quiet --disable-pip-version-check uv
    # shellcheck disable=SC2086
    UV_PROJECT_ENVIRONMENT=.venv .venv/bin/python -m uv sync --quiet --frozen --inexact --compile-bytecode $sync_options
}

# shellcheck disable=SC2086
install_packages $wanted_packages || say "Going on without them; what needs them will say so."
make_environment
