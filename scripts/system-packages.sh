#!/bin/sh
# Installs the system libraries named on the command line (pango, chromium) where this user may; otherwise says
# in one line what is left out. Never fails: olivetime works without them.
set -u

missing=""
for name in "$@"; do
    case "$name" in
        pango)
            ldconfig -p 2>/dev/null | grep -q 'libpangoft2-1.0.so.0' || missing="$missing libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 fonts-dejavu-core" ;;
        chromium)
            command -v chromium >/dev/null 2>&1 || missing="$missing chromium" ;;
    esac
done
[ -z "$missing" ] && exit 0

if command -v apt-get >/dev/null 2>&1; then
    if [ "$(id -u)" = 0 ]; then as_root=""; else as_root="sudo -n"; fi
    export DEBIAN_FRONTEND=noninteractive
    # shellcheck disable=SC2086
    if $as_root apt-get update -qq >/dev/null 2>&1 && $as_root apt-get install -y -qq --no-install-recommends $missing >/dev/null 2>&1; then
        echo "installed system packages:$missing"
        exit 0
    fi
fi
echo "left out (not installed here):$missing. Without Pango there are no PDFs; without Chromium the browser tests are skipped."
