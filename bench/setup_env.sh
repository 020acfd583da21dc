# Sourced by bench/run and tests/run: makes or renews .venv in the repository's root.
# `ensure_venv run` installs what the command needs, `ensure_venv test` the test tools as well: the versions of
# run.lock and test.lock (made by python -m tests.lock), each file held against its hash.
# `take_wheels "$@"` takes --wheels DIR from the front of the arguments, and leaves the others in `rest`: all comes
# from that folder then, with no network.
#
# .venv/made       where and from which interpreter the environment was made; absent while an
#                  installation is under way, so that one cut short is made anew
# .venv/stamp-run  what was installed last (written last of all); the same for stamp-test

set -euo pipefail

wheels=
root=$(dirname -- "$(dirname -- "$(readlink -f -- "${BASH_SOURCE[0]}")")")
venv=$root/.venv

setup_fail() {
    printf 'liftlatch: %s\n' "$1" >&2
    exit 2
}

# A virtual environment holds absolute paths and follows its interpreter's minor version.
venv_key() {
    printf '%s %s\n' "$root" "$(readlink -f -- "$venv/bin/python")"
}

# What the C core is built with, where it is there; it is built as soon as it can be.
compiler_key() {
    command -v cc || true
}

# Everything that asks for a new installation when it changes.
install_key() (
    shopt -s nullglob
    cd -- "$root"
    { venv_key; compiler_key; sha256sum -- pyproject.toml bench/*.lock bench/setup_env.sh bench/build_backend.py \
        firmware_model/core_*.py firmware_model/*.[ch] firmware_model/core/*.[ch] firmware_model/probe/*.[ch] \
        firmware_model/link/frame.[ch] bench/vehicle/*.[ch]; } 2>/dev/null | sha256sum
)

up_to_date() {
    [[ -x $venv/bin/python && -x $venv/bin/liftlatch && -f $venv/stamp-$1 ]] || return 1
    [[ $(<"$venv/stamp-$1") == "$(install_key)" ]]
}

find_python() {
    local name found='' old=''
    for name in python3 python3.11 python3.12 python3.13 python3.14; do
        command -v "$name" >/dev/null || continue
        if ! "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            old=yes
        elif ! "$name" -c 'import venv, ensurepip' 2>/dev/null; then
            found=$name
        else
            printf '%s\n' "$name"
            return
        fi
    done
    [[ -z $found ]] || setup_fail "$found cannot make virtual environments; run: apt-get install python3-venv"
    [[ -z $old ]] || setup_fail "this python3 is too old; Python 3.11 or newer is needed, with its venv module"
    setup_fail "no python3 found; run: apt-get install python3 python3-venv"
}

# The first complaint in pip's log, or its last line.
log_line() {
    { grep -m1 -E '^(ERROR|Error)' "$venv/setup.log" || tail -n 1 "$venv/setup.log"; } 2>/dev/null || true
}

pip_install() {
    "$venv/bin/python" -m pip install --disable-pip-version-check --no-input --quiet "$@" </dev/null >>"$venv/setup.log" 2>&1
}

# Asks the registry for one small package, with no second try: pip itself would try for minutes.
network_there() {
    local line
    line=$(grep -m1 '^h11==' "$root/bench/run.lock")
    "$venv/bin/python" -m pip download --disable-pip-version-check --no-input --quiet --no-deps --retries 0 --timeout 15 \
        --dest "$venv/probe" "${line%% *}" </dev/null >>"$venv/setup.log" 2>&1 || return 1
    rm -rf -- "$venv/probe"
}

# What a lock file names: what is there already needs nothing from outside.
install_locked() {
    local lock=$root/bench/$1.lock from=() hint
    local options=(--require-hashes --no-build-isolation)
    awk '/^setuptools==/ { on = 1 } on { print } on && !/\\$/ { exit }' "$lock" >"$venv/first.lock"
    if pip_install --no-index "${options[@]}" --requirement "$lock"; then
        return
    fi
    hint='the first time needs the network, or a folder of wheels: bench/run --wheels DIR'
    if [[ -n $wheels ]]; then
        from=(--no-index --find-links "$wheels")
        hint="from $wheels"
    elif ! network_there; then
        setup_fail "could not install the Python packages, since no package registry answers ($hint): $(log_line) (all of it in .venv/setup.log)"
    fi
    : >"$venv/setup.log"
    # setuptools first: it builds what comes as source
    { pip_install "${from[@]}" "${options[@]}" --requirement "$venv/first.lock" &&
        pip_install "${from[@]}" "${options[@]}" --requirement "$lock"; } ||
        setup_fail "could not install the Python packages ($hint): $(log_line) (all of it in .venv/setup.log)"
}

take_wheels() {
    rest=("$@")
    [[ ${1:-} == --wheels ]] || return 0
    [[ -d ${2:-} ]] || setup_fail "--wheels ${2:-}: there is no such folder; see \"Without network\" in README.md"
    wheels=$(readlink -f -- "$2")
    rest=("${@:3}")
}

build_venv() {
    local python
    echo 'setting up .venv ...' >&2
    if [[ ! -x $venv/bin/python || ! -f $venv/made || $(<"$venv/made") != "$(venv_key)" ]]; then
        python=$(find_python) || exit 2
        rm -rf -- "$venv" 2>/dev/null && mkdir -- "$venv" 2>/dev/null ||
            setup_fail "cannot write $venv; check the rights of the folder"
        "$python" -m venv "$venv" </dev/null >"$venv/setup.log" 2>&1 ||
            setup_fail "$python -m venv failed: $(log_line); try: apt-get install python3-venv"
    fi
    rm -f -- "$venv"/made "$venv"/stamp-*
    : >"$venv/setup.log"
    install_locked "$1"
    # The build tools are in the environment too, so that a changed C file is built again offline.
    pip_install --no-index --no-build-isolation --no-deps --use-pep517 --editable "$root" ||
        setup_fail "could not install the project: $(log_line) (all of it in .venv/setup.log)"
    venv_key >"$venv/made"
    install_key >"$venv/stamp-run"
    [[ $1 == run ]] || install_key >"$venv/stamp-test"
}

ensure_venv() {
    up_to_date "$1" && return
    trap 'echo "liftlatch: stopped" >&2; exit 130' INT
    # One set-up at a time; whoever waited finds the work done.
    exec 9<"$root/pyproject.toml"
    flock 9
    up_to_date "$1" || build_venv "$1"
    exec 9<&-
    trap - INT
}
