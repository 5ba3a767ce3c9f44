#!/usr/bin/env bash
# Debian packages that Nightreel's commands and tests use, installed where this user may, named where not.
# usage: system-packages.sh demo|test
set -u
want="libportaudio2"
[ "${1:-demo}" = test ] && want="$want jackd2 libjack-jackd2-0 ffmpeg chromium poppler-utils libltc11 sonic-pi-samples iproute2"

command -v dpkg-query >/dev/null 2>&1 || {
    echo "Not a Debian system: please see that these are installed by your own means: $want"
    exit 0
}
missing=""
for package in $want; do
    dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'ok installed' || missing="$missing $package"
done
[ -n "$missing" ] || exit 0

if [ "$(id -u)" = 0 ]; then sudo=""; elif sudo -n true 2>/dev/null; then sudo="sudo"; else
    echo "Missing Debian packages, and no right to install them here. Please run:"
    echo "    sudo apt-get install$missing"
    exit 1
fi
echo "Installing Debian packages:$missing"
export DEBIAN_FRONTEND=noninteractive
$sudo apt-get update -qq >/dev/null && $sudo apt-get install -y -qq --no-install-recommends $missing >/dev/null || {
    echo "Debian's archive did not deliver. Please run: sudo apt-get install$missing"
    exit 1
}
