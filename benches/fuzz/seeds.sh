#!/usr/bin/env bash
# Makes the seeds of the fuzz targets: a fifth of a second of a made-up tone in every container and codec that we read,
# the first kilobytes of the test fixtures, and our own files as the demo wrote them.
# usage: benches/fuzz/seeds.sh OUT-FOLDER     needs: ffmpeg
set -euo pipefail
here=$(cd "$(dirname "$0")/../.." && pwd)
out=$1
mkdir -p "$out/tape" "$out/headers" "$out/reports" "$out/sheets"
src=(-v error -y -f lavfi -i "sine=frequency=110:sample_rate=48000:duration=0.2" -f lavfi -i "anoisesrc=d=0.2:c=pink:r=48000:a=0.05:seed=1" -filter_complex amerge=inputs=2)
tags=(-metadata date=2026-02-03 -metadata title=rehearsal)
made() { ffmpeg "${src[@]}" "${tags[@]}" "${@:2}" "$out/tape/$1" || rm -f "$out/tape/$1"; }
made a.wav -c:a pcm_s16le -ar 16000; made b.wav -c:a pcm_s24le -ar 16000 -write_bext 1; made c.wav -c:a pcm_f32le -ar 8000
made d.wav -c:a adpcm_ima_wav -ar 16000; made e.wav -c:a pcm_mulaw -ar 16000; made f.wav -c:a pcm_s16le -rf64 always -ar 16000
made g.w64 -c:a pcm_s16le -ar 8000; made h.wav -c:a adpcm_ms -ar 16000; made i.wav -c:a mp3 -ar 32000
made a.flac -ar 16000; made b.flac -sample_fmt s32 -ar 16000; made a.oga -c:a flac -ar 16000
made a.mp3 -b:a 64k; made b.mp3 -q:a 7 -ar 16000; made a.mp2 -b:a 64k -ar 32000
made a.m4a -c:a aac -b:a 64k; made b.m4a -c:a alac -ar 16000; made c.m4a -c:a aac -b:a 48k -movflags +faststart; made d.mp4 -c:a aac -movflags frag_keyframe+empty_moov
made a.aac -c:a aac -b:a 48k; made a.caf -c:a pcm_s16be -ar 16000; made a.aiff -c:a pcm_s16be -ar 16000
made a.ogg -c:a libvorbis -q:a 0; made a.opus -c:a libopus -b:a 24k; made a.webm -c:a libopus -b:a 24k; made b.webm -c:a libvorbis -q:a 0; made a.mka -c:a aac -b:a 48k
for f in "$here"/tests/fixtures/tape/*.*; do
  case $f in *.sh) ;; *) head -c 6000 "$f" >"$out/tape/fixture-$(basename "$f")" ;; esac
done
cp "$out"/tape/* "$out/headers/"
# For the whole review: whole takes too, long enough for every meter.
mkdir -p "$out/review"
cp "$out"/tape/* "$here"/tests/fixtures/same_take/take* "$out/review/"
number=0
for f in "$here"/reports/demo/*/report.json "$here"/tests/golden/../fixtures/*.json; do
  [ -f "$f" ] || continue
  { printf '\0'; cat "$f"; } >"$out/reports/report-$number"; number=$((number + 1))
done
{ printf '\1'; head -c 20000 "$(ls "$here"/reports/demo/*/curves.json | head -1)"; } >"$out/reports/curves"
{ printf '\2'; cat "$here/reports/demo/season.json"; } >"$out/reports/season"
for f in "$here"/reference-audio/*.json; do [ -f "$f" ] && { printf '\3'; cat "$f"; } >"$out/reports/target-$(basename "$f")"; done
printf '\3{"schema":{"name":"ledgerline.target","version":1,"revision":0},"name":"hall","method":"balance-3","low_re_mid_db":1.5,"low_re_mid_spread_db":1.0,"tilt_db_per_octave":-3.0,"bands":[{"mid_hz":100.0,"low_db":-12.0,"level_db":-10.0,"high_db":-8.0}],"recordings":[]}' >"$out/reports/target"
{ printf 'a'; cat "$here/src/sheet/starter.toml"; } >"$out/sheets/starter"
{ printf 'a'; cat "$here/tests/fixtures/sheet/full.toml"; } >"$out/sheets/full"
printf 'd# a phone\n40 -12.5\n100, -3\n1000 0\n16000\t2\n' >"$out/sheets/curve"
echo "seeds: $(ls "$out"/tape | wc -l) tapes, $(ls "$out"/reports | wc -l) of our own files"
