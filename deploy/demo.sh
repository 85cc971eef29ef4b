#!/bin/sh
# Shows Leeswatch at work on simulated vessels, from a fresh clone: `sh deploy/demo.sh [ARGUMENTS of leeswatch demo]`,
# such as `sh deploy/demo.sh --for 60`. The first run installs what is missing; later runs start at once.
set -eu
top=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd -P)
# shellcheck source=deploy/setup.sh
. "$top/deploy/setup.sh"

need_packages python3 python3-venv
want_packages 'the demo shows its serial probes only' mosquitto
as_owner "$@"
need_venv run
exec "$venv/bin/leeswatch" demo "$@"
