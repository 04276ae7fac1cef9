#!/usr/bin/env bash
# The unit under a real systemd, in a container over this machine's own root: installed as deploy/README.md says, started, reloaded,
# killed, frozen, stopped. Needs root and namespaces; says so and ends well where it cannot have them.
# Usage: tests/real/unit.sh [BINARY]
set -euo pipefail
cd "$(dirname "$0")/../.."
binary=${1:-target/debug/warmside}
[ -x "$binary" ] || { echo "no $binary: build it first" >&2; exit 1; }
not_here() { echo "the unit is not tried here: $1"; exit 0; }
[ "$(id -u)" = 0 ] || not_here "this is not root"
command -v systemd-nspawn >/dev/null || not_here "systemd-nspawn is missing"

over=$(mktemp -d)
container=
clean() {
    if [ -n "$container" ]; then
        pkill -KILL -P "$container" 2>/dev/null || true
        kill "$container" 2>/dev/null || true
        wait "$container" 2>/dev/null || true
    fi
    umount -l "$over/root" 2>/dev/null || true
    umount -l "$over" 2>/dev/null || true
    rmdir "$over" 2>/dev/null || true
}
trap clean EXIT
mount -t tmpfs warmside-unit "$over" || not_here "nothing can be mounted"
mkdir "$over/upper" "$over/work" "$over/root"
mount -t overlay overlay -o "lowerdir=/,upperdir=$over/upper,workdir=$over/work" "$over/root" || not_here "no overlay"
root=$over/root

install -m 755 "$binary" "$root/usr/local/bin/warmside"
install -d -m 755 "$root/etc/warmside"
install -d -m 700 "$root/etc/warmside/secret"
install -m 644 deploy/warmside.service "$root/etc/systemd/system/warmside.service"
# The password stands nowhere else: with a login demanded, the link comes up only by the credential.
(umask 077; echo "correct horse" >"$root/etc/warmside/secret/broker")
mkdir -p "$root/etc/systemd/system/warmside.service.d"
printf '[Service]\nLoadCredential=broker:/etc/warmside/secret/broker\n' >"$root/etc/systemd/system/warmside.service.d/own.conf"
cat >"$root/etc/warmside/warmside.toml" <<'TOML'
[site]
name = "Test Lane"
time_zone = "Europe/Dublin"
[builtin_broker]
listen = "127.0.0.1:21883"
user = "sensors"
password_file = "secret/broker"
[store]
folder = "/var/lib/warmside/state"
[post]
folder = "/var/lib/warmside/mail"
[page]
listen = "127.0.0.1:28377"
[[keeper]]
id = "ines"
name = "Ines"
mail = "ines@example.org"
[care.any]
confirmed_by = "ines"
warm_side = { wanted = [28, 33], never = [20, 36] }
[[enclosure]]
id = "a3"
care = "any"
[[link]]
topic = "rack/{enclosure}/{place}/temperature"
quantity = "temperature"
unit = "Cel"
TOML

systemd-nspawn -D "$root" --boot --register=no --keep-unit --link-journal=no --private-network --console=pipe \
    </dev/null >"$over/console" 2>&1 &
container=$!
inside() { nsenter -t "$(pgrep -P "$container")" -a "$@"; }
until_so() { # what, seconds, command…
    local what=$1 limit=$2
    shift 2
    for _ in $(seq $((limit * 5))); do
        if "$@" >/dev/null 2>&1; then return; fi
        sleep 0.2
    done
    echo "never: $what" >&2
    inside journalctl -u warmside --no-pager -n 40 -o cat >&2 || cat "$over/console" >&2
    exit 1
}
booted() { [[ $(inside systemctl is-system-running 2>/dev/null) =~ running|degraded ]]; }
for _ in $(seq 150); do
    kill -0 "$container" 2>/dev/null || not_here "the container does not start: $(tail -1 "$over/console")"
    if booted; then break; fi
    sleep 0.2
done
booted || not_here "systemd does not come up in a container"

property() { inside systemctl show warmside -p "$1" --value; }
is() { [ "$(property "$1")" = "$2" ]; }
says() { inside journalctl -u warmside -o cat --no-pager | grep -qF "$1"; }
warmside() { inside /usr/local/bin/warmside "$@" --config /etc/warmside/warmside.toml; }

inside systemctl start warmside # returns when READY=1 was told
is StatusText "watching 1 enclosures by 1 links"
until_so "connected by the credential's password" 30 says "connected to the broker"
warmside status | grep -q "Feed: connected"
if says "will not be recognised"; then
    echo "the unit hides the clocks that it needs" >&2
    exit 1
fi
warmside drill >/dev/null
mailed() { inside sh -c 'ls /var/lib/private/warmside/mail/*.eml'; }
until_so "a mail" 30 mailed
echo "ready, a credential, the control socket, a mail: well"

sed -i 's/id = "a3"/ids = ["a3", "a4"]/' "$root/etc/warmside/warmside.toml"
inside systemctl reload warmside
until_so "the new configuration" 30 is StatusText "watching 2 enclosures by 1 links"
sed -i 's/\[28, 33\]/[33, 28]/' "$root/etc/warmside/warmside.toml"
inside systemctl reload warmside
until_so "a file with faults is refused" 30 says "the old one goes on"
is StatusText "watching 2 enclosures by 1 links" && is ActiveState active && is NRestarts 0
echo "reload: well"

inside systemctl kill -s KILL warmside
sed -i 's/\[33, 28\]/[28, 33]/' "$root/etc/warmside/warmside.toml"
until_so "started again after SIGKILL" 60 is NRestarts 1
until_so "active again" 60 is ActiveState active

printf '[Service]\nWatchdogSec=12\n' >"$root/etc/systemd/system/warmside.service.d/dog.conf"
inside systemctl daemon-reload
inside systemctl restart warmside
sleep 15
is NRestarts 0 && is ActiveState active
inside systemctl kill -s STOP warmside
until_so "a frozen daemon is ended by the watchdog" 60 is NRestarts 1
until_so "active again" 60 is ActiveState active
echo "killed and frozen: well"

# A core would hold the password: none is written, and it stands nowhere but in its own file and the service manager's copy of it.
grep -q '^Max core file size *0 *0 ' <(inside cat "/proc/$(property MainPID)/limits")
before=$(property NRestarts)
inside systemctl kill -s ABRT warmside
until_so "started again after an abort" 60 eval '[ "$(property NRestarts)" -gt '"$before"' ]'
until_so "active again" 60 is ActiveState active
shown=$(grep -rlaF "correct horse" "$over/upper" | grep -v '/etc/warmside/secret/broker$' || true)
[ -z "$shown" ] || { echo "the password stands in $shown" >&2; exit 1; }
if inside journalctl --no-pager -o cat | grep -qF "correct horse"; then
    echo "the password stands in the journal" >&2
    exit 1
fi
echo "aborted without a core, and no password anywhere: well"

inside systemctl stop warmside
is Result success && ! says "did not close in good order"
sed -i 's/\[28, 33\]/[33, 28]/' "$root/etc/warmside/warmside.toml"
inside systemctl start warmside 2>/dev/null && { echo "started with faults" >&2; exit 1; }
sleep 6
is ActiveState failed && is ExecMainStatus 78 && is NRestarts 0
echo "stopped, and not started with faults: well"
