#!/bin/sh
# Makes Leeswatch a service of this machine, with a broker whose acknowledged messages survive a crash:
#   sudo sh deploy/install.sh               again after each update of the clone; your configuration is left alone
#   sudo sh deploy/install.sh --uninstall   takes the service away; configuration and readings stay
# The program goes to /opt/leeswatch, its configuration to /etc/leeswatch, its store to /var/lib/leeswatch.
# shellcheck disable=SC2016  # back quotes in sentences for people are not for the shell
set -eu
top=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd -P)
# shellcheck source=deploy/setup.sh
. "$top/deploy/setup.sh"

home=/opt/leeswatch
settings=/etc/leeswatch/leeswatch.toml
unit=/etc/systemd/system/leeswatch.service
broker=/etc/mosquitto/conf.d/leeswatch.conf
link=/usr/local/bin/leeswatch

# --- one step each ---------------------------------------------------------------------------------------

systemd_runs() { [ -d /run/systemd/system ]; }

# put SOURCE TARGET MODE: copies a file; true if that changed anything.
put() {
    ! cmp -s "$1" "$2" || return 1
    install -D -m "$3" "$1" "$2"
}

make_user() {
    getent passwd leeswatch >/dev/null ||
        useradd --system --user-group --home-dir /var/lib/leeswatch --no-create-home --shell /usr/sbin/nologin leeswatch
    # In the group a person may read the configuration and the store.
    person=${SUDO_USER:-root}
    [ "$person" = root ] || id -nG "$person" | grep -qw leeswatch || {
        usermod --append --groups leeswatch "$person"
        say "$person is now in the group leeswatch: log in anew before you use the command \`leeswatch\`."
    }
}

# The copies come whole under another name first, so that an interrupted copy is never what runs.
copy_program() {
    mkdir -p "$home"
    rm -rf "$home/new"
    mkdir "$home/new"
    for part in monitor simulators config deploy pyproject.toml README.md LICENSE; do
        cp -R "$top/$part" "$home/new/$part"
    done
    find "$home/new" -name __pycache__ -prune -exec rm -rf {} +
    rm -rf "$home/new/deploy/secrets"  # of deploy/compose.yaml: what comes here may be read by everyone
    chown -R root:root "$home/new"
    chmod -R u=rwX,go=rX "$home/new"
    for part in "$home"/new/*; do
        rm -rf "${home:?}/${part##*/}"
        mv "$part" "$home/"
    done
    rmdir "$home/new"
}

put_settings() {
    install -d -m 750 -g leeswatch /etc/leeswatch
    put "$home/config/leeswatch.example.toml" /etc/leeswatch/leeswatch.example.toml 644 || true
    [ -e "$settings" ] || {
        install -m 640 -g leeswatch "$home/config/minimal.toml" "$settings"
        # Named, so that a person's commands find the service's store and not one of their own.
        printf '\n[store]\npath = "/var/lib/leeswatch/store.db"\n' >>"$settings"
        say "A first configuration is $settings: name your probes and vessels there, by the example beside it."
    }
}

# A broker that someone has already opened to the network by hand is not changed behind their back.
put_broker() {
    own=$(grep -lsE '^[[:space:]]*(listener|port|per_listener_settings)[[:space:]]' /etc/mosquitto/mosquitto.conf \
        /etc/mosquitto/conf.d/*.conf | grep -vFx "$broker" || true)
    [ -e "$broker" ] || [ -z "$own" ] || {
        say "The broker is set up by hand already ($own), so it is left as it is. Compare deploy/mosquitto.conf:" \
            'without its persistence and autosave lines, a crash of the broker loses readings it has acknowledged.'
        return 0
    }
    [ ! -e "$broker" ] || cp "$broker" "$broker.before"  # mosquitto reads only names that end in .conf
    ! put "$home/deploy/mosquitto.conf" "$broker" 644 || changed=yes
    systemd_runs || { rm -f "$broker.before"; return 0; }
    systemctl unmask mosquitto.service >/dev/null 2>&1 || true
    systemctl enable mosquitto.service >/dev/null 2>&1
    if [ -z "${changed:-}" ] && systemctl is-active --quiet mosquitto.service; then
        rm -f "$broker.before"
    elif systemctl restart mosquitto.service; then
        rm -f "$broker.before"
    else
        if [ -e "$broker.before" ]; then mv "$broker.before" "$broker"; else rm -f "$broker"; fi
        systemctl restart mosquitto.service || true
        fail 'The broker does not start with deploy/mosquitto.conf, so it has its former settings back:' \
            '`journalctl -u mosquitto` says why.'
    fi
}

start_service() {
    put "$home/deploy/leeswatch.service" "$unit" 644 || true
    ln -sfn "$home/.venv/bin/leeswatch" "$link"
    systemd_runs || fail "All files are in place, but systemd does not run here, so nothing is started." \
        "By hand, as the user leeswatch: $link run --config $settings"
    systemctl daemon-reload
    systemctl enable leeswatch.service >/dev/null 2>&1
    systemctl restart leeswatch.service ||
        fail 'The service does not start: `journalctl -u leeswatch` says why.'
    say 'Leeswatch runs, and starts with the machine. Its log: `journalctl -u leeswatch -f`.' \
        'Commands that change something go through its own user: `sudo -u leeswatch leeswatch batch …`.'
}

check_settings() {
    setpriv --reuid=leeswatch --regid=leeswatch --init-groups "$home/.venv/bin/leeswatch" check --config "$settings" ||
        fail "Put $settings right, then run this again."
}

uninstall() {
    if systemd_runs; then systemctl disable --now leeswatch.service >/dev/null 2>&1 || true; fi
    rm -f "$unit"
    [ "$(readlink "$link" 2>/dev/null)" != "$home/.venv/bin/leeswatch" ] || rm -f "$link"
    rm -rf "$home"
    if [ -e "$broker" ]; then
        rm -f "$broker"
        if systemd_runs; then systemctl try-restart mosquitto.service || true; fi
    fi
    if systemd_runs; then systemctl daemon-reload; fi
    say 'Leeswatch is uninstalled. Its readings (/var/lib/leeswatch), its configuration (/etc/leeswatch),' \
        'the user leeswatch that owns them, and the package mosquitto are still here.'
}

# --- the order of steps ----------------------------------------------------------------------------------

case ${1:-} in
    '' | --uninstall) ;;
    *) say 'Usage: sudo sh deploy/install.sh [--uninstall]'; exit 2 ;;
esac
[ "$(id -u)" -eq 0 ] || {
    find_root || fail 'This needs root: run it with sudo, or as root.'
    # shellcheck disable=SC2086
    exec $root_by sh "$0" "$@"
}
[ -z "${1:-}" ] || { uninstall; exit 0; }

keep_running=mosquitto  # read by quiet_services: here the machine's broker is what is wanted
need_packages python3 python3-venv mosquitto
make_user
copy_program
top=$home venv=$home/.venv
need_venv run
"$venv/bin/python" -m compileall -q "$home/monitor" "$home/simulators" || true  # the service may not write there
put_settings
put_broker
check_settings
start_service
