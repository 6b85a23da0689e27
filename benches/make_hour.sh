#!/usr/bin/env bash
# Makes a 60-minute stereo 48 kHz 16-bit FLAC (or SECONDS of it) from the demo band's tapes, for the speed bench.
# usage: benches/make_hour.sh FOLDER-WITH-DEMO-TAPES OUT.flac [SECONDS]     needs: ffmpeg
set -euo pipefail
list=$(mktemp)
trap 'rm -f "$list"' EXIT
for round in $(seq 1 80); do
  for tape in "$1"/*.wav; do echo "file '$(realpath "$tape")'" >>"$list"; done
done
ffmpeg -v error -y -f concat -safe 0 -i "$list" -t "${3:-3600}" -ar 48000 -ac 2 -sample_fmt s16 "$2"
