#!/bin/sh
# Checks everything: formatting, lint, types, the rooms' imports, then the tests with branch coverage.
#   sh tests/run.sh                 all but the long runs
#   sh tests/run.sh --quick         without those that need a browser
#   sh tests/run.sh --soak          with the long runs
#   sh tests/run.sh ARGUMENTS       passed on to pytest, such as `tests/store -k power`
# The first run installs what is missing. Exits non-zero if anything failed; pytest's summary line comes last.
set -eu
top=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd -P)
# shellcheck source=deploy/setup.sh
. "$top/deploy/setup.sh"

marks='not soak'
browser=chromium
case ${1:-} in
    --quick) marks='not soak and not browser' browser= ;;
    --soak) marks='' ;;
esac

need_packages python3 python3-venv mosquitto mosquitto-clients libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 \
    ${browser:+"$browser"} ${browser:+libatomic1}  # the last: its driver
if [ ! -f "$venv/stamp.test" ]; then  # asked for once: without them the tests that need them say so and are skipped
    want_packages 'the service unit is not checked' systemd
    want_packages 'shell scripts are only parsed' shellcheck
    want_packages 'codes on labels are not read back' zbar-tools
    want_packages 'PDF is not looked into' poppler-utils
    want_packages 'the relay and reading back are not tried with a real time-series server' victoria-metrics
    want_packages 'InfluxQL and strict parsing of lines are not tried with a real server' influxdb
    want_packages 'the compose file is not checked' docker-compose
fi
as_owner "$@"
need_venv test
case ${1:-} in --quick | --soak) shift ;; esac
cd "$top"

# All that the tests write lies in one folder, which goes with us; its short name keeps socket paths short.
work=$(mktemp -d "${TMPDIR:-/tmp}/lw.XXXXXX")
trap 'rm -rf "$work"' EXIT
trap 'exit 130' INT
trap 'exit 143' TERM HUP
mkdir -m 700 "$work/run" "$work/tmp"
export TMPDIR="$work/tmp" COVERAGE_FILE="$work/coverage" XDG_RUNTIME_DIR="$work/run"
export XDG_STATE_HOME="$work/state" XDG_CONFIG_HOME="$work/config" XDG_DATA_HOME="$work/data"

failed=
check() {
    name=$1
    shift
    if "$@" >"$work/out" 2>&1; then
        say "$name: good"
    else
        cat "$work/out"
        say "$name: FAILED"
        failed="${failed:+$failed, }$name"
    fi
}

check 'ruff format' "$venv/bin/ruff" format --check .
check 'ruff check' "$venv/bin/ruff" check .
check 'mypy' "$venv/bin/mypy"
check 'lint-imports' "$venv/bin/lint-imports"
[ -z "$failed" ] || say "Failed before the tests: $failed."

# Whole runs share the processors, a file staying with one process: several files start brokers and daemons once.
[ $# -gt 0 ] || set -- -n auto --maxprocesses 4 --dist loadfile

status=0
"$venv/bin/python" -m pytest --basetemp="$work/t" --cov --cov-report=term -m "$marks" "$@" || status=$?
[ -z "$failed" ] || [ "$status" -ne 0 ] || status=1
exit "$status"
