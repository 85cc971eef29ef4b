# shellcheck shell=sh
# shellcheck disable=SC2016  # back quotes in sentences for people are not for the shell
# Makes a fresh Debian 12 or Raspberry Pi OS ready: Debian's packages that are missing, then a virtual environment
# `.venv` in the project. Sourced by deploy/demo.sh, deploy/install.sh and tests/run.sh, which set `top` (the project)
# first. What is already there is left alone, so a second run needs no network and changes nothing.
#
#   need_packages PACKAGE…   install these or stop          want_packages PACKAGE…   install these or say what is lost
#   need_venv run|test       the virtual environment        as_owner "$@"            root steps back to the project's owner

venv=${top:?the project}/.venv
PATH=${PATH#"$venv/bin:"}  # activated or not: what makes the environment must not live in it
PATH=$PATH:/usr/local/sbin:/usr/sbin:/sbin  # Debian keeps mosquitto there; an ordinary user's PATH does not
export PATH

log=
trap 'rm -f ${log:+"$log"}' EXIT
trap 'exit 130' INT
trap 'exit 143' TERM HUP

# Progress and errors go to standard error: standard output belongs to the command that follows.
say() { printf '%s\n' "$*" >&2; }
fail() { say "$*"; exit 1; }

# --- who may do what -------------------------------------------------------------------------------------

# Sets `root_by` to what goes before a command of root's ("" as root itself), or fails.
find_root() {
    if [ "$(id -u)" -eq 0 ]; then root_by=; return 0; fi
    command -v sudo >/dev/null 2>&1 || return 1
    root_by='sudo -n'
    sudo -n true 2>/dev/null && return 0
    [ -t 0 ] || return 1
    root_by=sudo
    say 'sudo may ask for your password, to install Debian packages.'
}

# Files that root made in a user's folder would lock the user out of them, so root only installs packages and then
# starts the whole script again as the project's owner. setpriv replaces the process: signals still reach it.
as_owner() {
    [ "$(id -u)" -eq 0 ] || return 0
    owner=$(stat -c %u "$top")
    [ "$owner" -ne 0 ] || return 0
    group=$(stat -c %g "$top")
    home=$(getent passwd "$owner" | cut -d: -f6)
    name=$(getent passwd "$owner" | cut -d: -f1)
    groups=--clear-groups
    [ -z "$name" ] || groups=--init-groups
    exec setpriv --reuid="$owner" --regid="$group" "$groups" \
        env HOME="${home:-/nonexistent}" USER="$name" LOGNAME="$name" sh "$0" "$@"
}

# --- Debian's packages -----------------------------------------------------------------------------------

has() {
    case $1 in
        python3) command -v python3 >/dev/null 2>&1 ;;
        python3-venv) python3 -c 'import ensurepip, venv' 2>/dev/null ;;
        lib*) dpkg-query -W -f "\${Status}" "$1" 2>/dev/null | grep -q 'ok installed' ;;
        mosquitto-clients) command -v mosquitto_pub >/dev/null 2>&1 ;;
        zbar-tools) command -v zbarimg >/dev/null 2>&1 ;;
        influxdb) command -v influxd >/dev/null 2>&1 ;;
        poppler-utils) command -v pdftoppm >/dev/null 2>&1 ;;
        systemd) command -v systemd-analyze >/dev/null 2>&1 ;;
        *) command -v "$1" >/dev/null 2>&1 ;;
    esac
}

# Sets `missing` to those of the packages named that are not here.
find_missing() {
    missing=
    for package in "$@"; do has "$package" || missing="${missing:+$missing }$package"; done
}

apt() {
    # shellcheck disable=SC2086  # both lists are words
    $root_by env DEBIAN_FRONTEND=noninteractive apt-get -o DPkg::Lock::Timeout=300 -q "$@" >>"$log" 2>&1 </dev/null
}

# One try with the lists at hand, then one more after finishing an interrupted dpkg and fetching new lists.
apt_install() {
    apt install -y --no-install-recommends "$@" && return 0
    # shellcheck disable=SC2086
    $root_by dpkg --configure -a >>"$log" 2>&1 </dev/null || true
    apt update || true
    apt install -y --no-install-recommends "$@"
}

install_packages() {
    command -v apt-get >/dev/null 2>&1 || { why='this machine has no apt-get'; return 1; }
    find_root || { why='you are neither root nor able to use sudo without being asked'; return 1; }
    log=$(mktemp)
    say "Installing $* with apt-get (once; some minutes on a small machine)."
    if apt_install "$@"; then
        rm -f "$log"
        quiet_services "$@"
        return 0
    fi
    why=$(reason "$log")
    tail -n 5 "$log" >&2
    rm -f "$log"
    return 1
}

# Debian starts a server for the whole machine with its package. Nobody asked for one here (demo and tests start
# their own, on ports of their own), so it is stopped again; for the broker, deploy/install.sh switches it on.
quiet_services() {
    for package in "$@"; do
        case $package in mosquitto | victoria-metrics | influxdb) ;; *) continue ;; esac
        case " ${keep_running:-} " in *" $package "*) continue ;; esac
        # shellcheck disable=SC2086
        {
            $root_by systemctl disable --now "$package.service" || $root_by update-rc.d "$package" disable || true
            $root_by service "$package" stop || true
        } >/dev/null 2>&1
        say "$package is installed; its system service is left switched off" \
            "(\`sudo systemctl enable --now $package\` switches it on)."
    done
}

need_packages() {
    find_missing "$@"
    [ -n "$missing" ] || return 0
    # shellcheck disable=SC2086
    install_packages $missing || fail "Could not install $missing: $why." \
        "As root, do \`apt-get install $missing\`, then run this again."
    find_missing "$@"
    [ -z "$missing" ] || fail "apt-get went well, yet $missing cannot be found: is the package held or damaged?"
}

# want_packages LOSS PACKAGE…: goes on without, saying what is lost.
want_packages() {
    loss=$1
    shift
    find_missing "$@"
    [ -n "$missing" ] || return 0
    # shellcheck disable=SC2086
    install_packages $missing || say "Could not install $missing: $why." \
        "Going on without: $loss. (As root: \`apt-get install $missing\`.)"
}

# reason LOG: why a package tool failed, as far as its own words show.
reason() {
    if grep -qiE 'no space left|disk quota|enough free space' "$1"; then
        echo 'the disk is full'
    elif grep -qiE 'resolv|unreachable|timed out|connection|failed to fetch|NewConnectionError' "$1"; then
        echo 'the network or the package server cannot be reached'
    elif grep -qiE 'not in the sudoers|password' "$1"; then
        echo 'sudo refused'
    elif grep -qiE 'unable to locate package|no installation candidate' "$1"; then
        echo 'this system does not have it'
    elif grep -qi 'permission denied' "$1"; then
        echo 'a file or folder may not be written'
    else
        echo 'see the lines above'
    fi
}

# --- the virtual environment -----------------------------------------------------------------------------

# The stamp is written last. It says what the environment was made from: Python and place on its first two lines, then
# the project file. An environment without a stamp was broken off on the way.
stamp_key() {
    python3 -c 'import sys; print(sys.version_info[:2])'
    printf '%s\n' "$venv"
    sha256sum <"$top/pyproject.toml"
}

need_venv() {
    extras=$1
    python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' || fail \
        "Leeswatch needs Python 3.11 or later, and this machine has $(python3 -V 2>&1):" \
        'Debian 12, Raspberry Pi OS 12 or later bring it.'
    [ -w "$top" ] || fail "You may not write to $top: clone the project into your home folder, or run this with sudo."
    key=$(stamp_key)
    fresh_venv "$extras" && return 0

    # Two runs at once must not build the same environment: the second waits.
    exec 9<"$top/pyproject.toml"
    flock -n 9 || { say 'Waiting for another run that is setting up the same folder.'; flock 9; }
    fresh_venv "$extras" || build_venv "$extras"
    exec 9<&-
}

fresh_venv() {
    [ -x "$venv/bin/python" ] && { matches "$venv/stamp.test" || { [ "$1" = run ] && matches "$venv/stamp.run"; }; }
}

matches() { [ -f "$1" ] && [ "$(cat "$1")" = "$key" ]; }

build_venv() {
    log=$(mktemp)
    [ ! -e "$venv" ] || can_grow || clear_venv
    target=.
    [ "$1" = run ] || target='.[test]'
    say "Setting up Python libraries in $venv (once; some minutes on a small machine)."
    if [ ! -e "$venv" ]; then
        python3 -m venv "$venv" >"$log" 2>&1 || venv_failed
    fi
    rm -f "$venv/stamp.run" "$venv/stamp.test"
    # In the environment's own folder there is room, and what a killed pip leaves goes with it.
    mkdir -p "$venv/tmp"
    (cd "$top" && TMPDIR="$venv/tmp" "$venv/bin/python" -m pip install --disable-pip-version-check --no-input \
        -e "$target") >"$log" 2>&1 </dev/null || venv_failed
    rm -rf "$log" "$venv/tmp"
    sync  # a stamp must not outlive, after a power cut, the files that it vouches for
    printf '%s\n' "$key" >"$venv/stamp.new"
    mv "$venv/stamp.new" "$venv/stamp.$1"
}

# Whether pip can add to what is there: it was once whole, and is of this Python and this place (scripts name theirs).
can_grow() {
    "$venv/bin/python" -m pip --version >/dev/null 2>&1 || return 1
    cat "$venv/stamp.run" "$venv/stamp.test" 2>/dev/null | grep -qxF -e "$venv" || return 1
    cat "$venv/stamp.run" "$venv/stamp.test" 2>/dev/null | grep -qxF -e "$(printf '%s\n' "$key" | head -n 1)"
}

clear_venv() {
    say "$venv is incomplete, or of another Python or place: making it anew."
    rm -rf "$venv" 2>/dev/null || fail "Could not remove $venv: as root, remove it, then run this again."
}

venv_failed() {
    why=$(reason "$log")
    tail -n 5 "$log" >&2
    rm -f "$log"
    fail "Could not set up $venv: $why. Put that right, then run this again."
}
