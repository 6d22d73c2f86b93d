#!/bin/sh
# Install the system packages that Benchcall needs and this machine lacks. Nothing missing: no package manager is called.
#
#   system_packages.sh demo     what a bench needs
#   system_packages.sh test     that, and what the tests need
#
# Each need is probed by what is used of it (a program, a library), so a package under another name counts too.
# Heavy parts of `test` must be there when CI=true or BENCHCALL_REQUIRE_ALL=1; elsewhere they may be left out, and that is said.
set -eu

group=${1:-}
missing=""
heavy_missing=""

has_program() { command -v "$1" >/dev/null 2>&1; }

has_library() {
    for folder in /usr/lib /usr/lib/* /lib /usr/local/lib /usr/local/lib/*; do
        for found in "$folder/$1"*; do
            [ -e "$found" ] && return 0
        done
    done
    return 1
}

has_venv() { has_program python3 && python3 -c 'import ensurepip, venv' >/dev/null 2>&1; }

need() { # need PACKAGE PROBE ARGUMENTS...
    package=$1
    shift
    "$@" || missing="$missing $package"
}

need_heavy() {
    package=$1
    shift
    "$@" || heavy_missing="$heavy_missing $package"
}

demo_needs() {
    need python3 has_program python3
    need python3-venv has_venv
    need libzbar0 has_library libzbar.so.0
    need libportaudio2 has_library libportaudio.so.2
    need espeak-ng has_program espeak-ng
}

test_needs() {
    demo_needs
    need git has_program git
    need ghostscript has_program gs
    need zint has_program zint
    need_heavy pulseaudio has_program pulseaudio
    need_heavy pulseaudio-utils has_program pactl
    need_heavy libasound2-plugins has_library alsa-lib/libasound_module_pcm_pulse.so
    need_heavy chromium has_program chromium
    need_heavy chromium-driver has_program chromedriver
    need_heavy shellcheck has_program shellcheck
}

require_all() { [ "${CI:-}" = true ] || [ "${BENCHCALL_REQUIRE_ALL:-}" = 1 ]; }

# Set `as_root` to what runs a command as root here; return 1 where nothing does.
find_root() {
    as_root=""
    [ "$(id -u)" -eq 0 ] && return 0
    as_root="sudo -n"
    has_program sudo && sudo -n true 2>/dev/null
}

# Install the packages named; what apt prints goes to the log, and its last lines to the screen if it fails.
install() {
    mkdir -p build
    log=build/system-packages.log
    echo "Installing system packages:$*" | sed 's/  */ /g'
    # shellcheck disable=SC2086 # as_root is empty or two words
    $as_root env DEBIAN_FRONTEND=noninteractive apt-get -q -o DPkg::Lock::Timeout=300 update >"$log" 2>&1 || true
    # shellcheck disable=SC2086,SC2048 # the packages are words
    if ! $as_root env DEBIAN_FRONTEND=noninteractive apt-get -q -y -o DPkg::Lock::Timeout=300 \
        install --no-install-recommends $* >>"$log" 2>&1; then
        tail -n 5 "$log"
        return 1
    fi
}

case $group in
    demo) demo_needs ;;
    test) test_needs ;;
    *)
        echo "system_packages.sh: unknown group '$group'; use demo or test" >&2
        exit 2
        ;;
esac

if require_all; then
    missing="$missing$heavy_missing"
    heavy_missing=""
fi
[ -n "$missing$heavy_missing" ] || exit 0

if ! has_program apt-get || ! find_root; then
    if [ -n "$missing" ]; then
        echo "System packages are missing, and this user may not install them; run: sudo apt-get install$missing" >&2
        exit 1
    fi
    echo "Left out, with the tests that need them:$heavy_missing (to have them: sudo apt-get install$heavy_missing)"
    exit 0
fi

if [ -n "$missing" ]; then
    if ! install "$missing"; then
        echo "System packages could not be installed; run: sudo apt-get install$missing" >&2
        exit 1
    fi
fi
if [ -n "$heavy_missing" ] && ! install "$heavy_missing"; then
    echo "Left out, with the tests that need them:$heavy_missing (to have them: sudo apt-get install$heavy_missing)"
fi
