#!/bin/sh
# Put layday on a 64-bit Debian or Raspberry Pi OS box, once; again brings it up to date.
# It says what it does. Readings, journal and configuration are never touched by a second run.
set -eu

usage() {
    cat <<'TEXT'
Use, as root, from a copy of the project:
    sh hardware/install.sh [--user NAME] [--dry-run]
    sh hardware/install.sh --uninstall [--dry-run]

  --user NAME   this user may use layday (default: whoever called sudo)
  --dry-run     say what would be done, do nothing
  --uninstall   take layday off; readings, journal, backups and configuration stay
TEXT
}

say() { printf '%s\n' "$*"; }
stop() { printf 'install.sh: %s\n' "$*" >&2; exit 1; }
# Run a command, or only say it.
run() {
    if [ "$dry" = yes ]; then say "    would run: $*"; else "$@"; fi
}

dry=no action=install person=${SUDO_USER:-}
while [ $# -gt 0 ]; do
    case $1 in
        --dry-run) dry=yes ;;
        --uninstall) action=uninstall ;;
        --user) [ $# -ge 2 ] || stop "--user wants a name"; person=$2; shift ;;
        -h | --help) usage; exit 0 ;;
        *) usage >&2; stop "does not know '$1'" ;;
    esac
    shift
done

here=$(cd "$(dirname "$0")/.." && pwd)
home=/opt/layday units=/etc/systemd/system

[ "$dry" = yes ] || [ "$(id -u)" -eq 0 ] || stop "needs root: sudo sh hardware/install.sh (or --dry-run to see what it does)"
command -v apt-get >/dev/null || stop "is for Debian and its kin; elsewhere: python3 -m venv, pip install, and the units in hardware/systemd"

systemd_runs() { [ -d /run/systemd/system ]; }

check_box() {
    [ "$(getconf LONG_BIT)" = 64 ] || stop "this system is 32-bit; layday's libraries need a 64-bit one. Put the 64-bit image on the card"
    [ -f "$here/pyproject.toml" ] || stop "$here is no copy of the project: run it from where it was unpacked"
    if [ -n "$person" ] && ! getent passwd "$person" >/dev/null; then stop "there is no user '$person' on this box"; fi
}

install_packages() {
    say "1. Python and what its environments need"
    missing=
    for package in python3 python3-venv; do
        dpkg-query -W -f '${Status}' "$package" 2>/dev/null | grep -q 'install ok installed' || missing="$missing $package"
    done
    if [ -n "$missing" ]; then
        run apt-get update -qq
        # shellcheck disable=SC2086 # a list of names
        run env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing
    fi
    if [ "$dry" = no ]; then
        python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
            stop "Python here is $(python3 -V 2>&1); layday needs 3.11 or newer (Debian 12 has it)"
    fi
}

make_user() {
    say "2. The system user and group 'layday'"
    getent group layday >/dev/null || run groupadd --system layday
    getent passwd layday >/dev/null ||
        run useradd --system --gid layday --home-dir /var/lib/layday --no-create-home --shell /usr/sbin/nologin layday
    if [ -n "$person" ] && [ "$person" != root ]; then
        say "   $person may use layday (from the next login on)"
        run usermod --append --groups layday "$person"
    fi
}

install_program() {
    say "3. The program, in $home"
    [ -x "$home/bin/pip" ] || run python3 -m venv "$home"
    run "$home/bin/pip" install --quiet --disable-pip-version-check --upgrade "$here"
    run install -m 0755 "$here/hardware/systemd/layday-backup" "$home/bin/layday-backup"
    say "   and 'layday' for everybody in the group"
    run install -m 0755 "$here/hardware/systemd/layday" /usr/local/bin/layday
}

install_units() {
    say "4. Folders, configuration and units"
    run install -D -m 0644 "$here/hardware/systemd/layday.tmpfiles" /etc/tmpfiles.d/layday.conf
    run systemd-tmpfiles --create /etc/tmpfiles.d/layday.conf
    if [ -e /etc/layday/layday.toml ]; then
        say "   /etc/layday/layday.toml is there: left as it is"
    else
        run install -o root -g layday -m 0640 "$here/hardware/systemd/layday.toml" /etc/layday/layday.toml
        set_timezone
    fi
    for unit in layday.service layday-backup.service layday-backup.timer; do
        run install -m 0644 "$here/hardware/systemd/$unit" "$units/$unit"
    done
    run systemctl enable --quiet layday.service layday-backup.timer
}

set_timezone() {
    zone=$(cat /etc/timezone 2>/dev/null || true)
    case $zone in '' | *[!A-Za-z0-9/_+-]*) return ;; esac
    say "   the shed's time zone: $zone, as this box's"
    run sed -i "s|^timezone = \"UTC\" .*|timezone = \"$zone\"|" /etc/layday/layday.toml
}

start() {
    say "5. Start"
    if systemd_runs; then
        run systemctl daemon-reload
        run systemctl restart layday.service layday-backup.timer
        say "layday runs. Next: layday check"
    else
        say "systemd does not run here: layday starts at the next boot. Next: layday check"
    fi
}

uninstall() {
    say "Taking layday off"
    for unit in layday.service layday-backup.timer layday-backup.service; do
        [ -e "$units/$unit" ] || continue
        if systemd_runs; then run systemctl stop "$unit"; fi
        run systemctl disable --quiet "$unit" || true
        run rm -f "$units/$unit"
    done
    if systemd_runs; then run systemctl daemon-reload; fi
    run rm -f /usr/local/bin/layday /etc/tmpfiles.d/layday.conf
    run rm -rf "$home"
    say "Left: /var/lib/layday (readings, journal, backups) and /etc/layday (configuration). Yours to keep or to remove."
}

if [ "$action" = uninstall ]; then
    uninstall
else
    check_box
    install_packages
    make_user
    install_program
    install_units
    start
fi
