#!/bin/sh
# Make ready what `make demo` or `make test` runs on: system packages, .venv, the locked Python packages, the project itself.
#
#   environment.sh demo|test
#
# A stamp in .venv says for which lock files it was made: a second run with the same ones asks the network for nothing.
set -eu

group=${1:-}
python=${PYTHON:-python3}
venv=.venv
here=$(cd "$(dirname "$0")/../.." && pwd)
cd "$here"

sh tests/tools/system_packages.sh "$group"

if ! "$python" -c 'import sys; sys.exit(not (3, 11) <= sys.version_info < (3, 15))' 2>/dev/null; then
    found=$("$python" --version 2>&1) || found="no such program"
    echo "Python '$python' is not one that Benchcall runs on ($found); install Python 3.11 to 3.14, or name one: make $group PYTHON=python3.11" >&2
    exit 1
fi

case $group in
    demo) lock=requirements.lock ;;
    test) lock=requirements-test.lock ;;
esac
stamp=$venv/benchcall-$group.stamp
# What the environment depends on: the locks, the project's own entry points and packages, the folder it stands in.
wanted=$(cat requirements-build.lock requirements.lock requirements-test.lock pyproject.toml | sha256sum | cut -d' ' -f1)
wanted="$wanted $here"
is_made_for() { [ "$(cat "$venv/benchcall-$1.stamp" 2>/dev/null)" = "$wanted" ]; }
# What was made for the tests holds all that the demo needs.
if { is_made_for "$group" || is_made_for test; } && $venv/bin/python -c '' 2>/dev/null; then
    exit 0
fi

# A virtual environment cannot be moved, and dies with the Python it was made from.
made_in=$(cat $venv/benchcall-*.stamp 2>/dev/null | sed -n '1s/^[^ ]* //p')
if [ -e $venv ] && { ! $venv/bin/python -c 'import pip' 2>/dev/null || { [ -n "$made_in" ] && [ "$made_in" != "$here" ]; }; }; then
    rm -rf $venv
fi
if [ ! -e $venv ]; then
    echo "Making the Python environment in $venv"
    "$python" -m venv $venv
fi
rm -f "$stamp"

mkdir -p build
log=build/python-packages.log
: >"$log"
# Run pip with its full words in the log; on the screen, one line for each package and whatever went wrong.
quiet_pip() {
    { $venv/bin/python -m pip install --disable-pip-version-check --no-input "$@" 2>&1 || echo "pip: failed"; } |
        tee -a "$log" | sed -u -n -e 's/^Collecting \([^ ]*\).*/  \1/p' -e '/^ERROR/p'
    if tail -n 1 "$log" | grep -q '^pip: failed$'; then
        echo "Python packages could not be installed; $log says why" >&2
        exit 1
    fi
}
echo "Installing $(grep -c '==' "$lock") Python packages from $lock (about 400 MB the first time)"
quiet_pip --require-hashes --only-binary :all: -r requirements-build.lock
# srt comes as source only; it is built with the setuptools just installed, so nothing unlocked is fetched for it.
quiet_pip --require-hashes --only-binary :all: --no-binary srt --no-build-isolation -r "$lock"
quiet_pip --no-deps --no-build-isolation --no-index --editable .
echo "$wanted" >"$stamp"
