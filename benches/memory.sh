#!/usr/bin/env bash
# Predicted against true peak memory of whole-brain runs of 300 and 3000 frames, 200 parcels, one job: read, and decided
# again from the digest. Usage: benches/memory.sh KEEPSTILL [FOLDER] (default: a new one below the temporary folder)
set -euo pipefail

keepstill=${1:?which keepstill binary?}
folder=${2:-$(mktemp -d)/keepstill-memory}
mkdir -p "$folder"
peak() { tail -1 "$1/results/run-log.jsonl" | grep -o '"peak_bytes":[0-9]*' | cut -d: -f2; }
number() { grep -o "\"$1\": *[0-9]*" | head -1 | grep -o '[0-9]*$'; }

for frames in 300 3000; do
    study=$folder/$frames
    [ -f "$study/study.toml" ] ||
        "$keepstill" synth -q "$study" --children 1 --frames "$frames" --grid whole --parcels 200 --seed 7 >/dev/null
    rm -rf "$study/results"
    check=$("$keepstill" check --json "$study/study.toml")
    predicted=$(($(number memory_bytes_a_scan <<<"$check") + $(number memory_bytes_program <<<"$check")))
    "$keepstill" run -q --jobs 1 "$study/study.toml" >/dev/null
    read=$(peak "$study")
    sed 's/^detrend_degree = 1/detrend_degree = 2/' "$study/study.toml" >"$study/again.toml"
    "$keepstill" run -q --jobs 1 "$study/again.toml" >/dev/null
    echo "$frames frames: predicted $predicted, true $read bytes; again from the digest $(peak "$study")"
done
