#!/bin/sh
# Listens to an address that ffmpeg can read (a file, an HTTP, RTMP, SRT or RTP stream): listen-to ADDRESS [watch options].
# When the stream ends or breaks, everything ends with it, and the container's restart policy begins anew: so the page
# never shows sound that is not there.
set -eu
address="$1"
shift
pipe=$(mktemp -u)
mkfifo -m 0600 "$pipe"
# The shell opens the pipe, not ffmpeg: so the daemon is not left waiting where nothing answers.
ffmpeg -nostdin -hide_banner -loglevel warning -re -i "$address" -map 0:a:0 -ac 2 -ar 48000 -f s16le - >"$pipe" &
reader=$!
mixwarden watch --input - "$@" <"$pipe" &
daemon=$!
asked=""
trap 'asked=yes; kill "$reader" "$daemon" 2>/dev/null || true' TERM INT
wait "$daemon" || status=$?
kill "$reader" 2>/dev/null || true
rm -f "$pipe"
[ -z "$asked" ] || exit 0
[ -n "${status:-}" ] || echo "listen-to: the stream has ended" >&2
# 75 (try again, sysexits.h) where the daemon itself had nothing to say against it: the restart policy takes it up.
exit "${status:-75}"
