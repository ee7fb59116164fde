#!/usr/bin/env bash
# The whole job beside a pipeline of general-purpose libraries, on the same invented burst, in one go:
#   benches/peer.sh PEER_SCRIPT PYTHON [FRAMES] [RUNS]
# PEER_SCRIPT is called as `PYTHON PEER_SCRIPT FOLDER OUT.tif --mask MASK.png`. Prints seconds and peak memory
# (the largest process) of each run, and the medians as ratios. Needs GNU time. PROGRAMS names a
# folder with another release build, BURST one with a burst and its truth/mask.png instead of a new one.
set -euo pipefail
cd "$(dirname "$0")/.."
peer=$1 python=$2 frames=${3:-16} runs=${4:-3}
programs=${PROGRAMS:-target/release}
[[ -v PROGRAMS ]] || cargo build --quiet --release --no-default-features --bin nightsheaf-cli --example make_sample_frames
work=$(mktemp -d -p .)
trap 'rm -rf "$work"' EXIT
burst=${BURST:-$work/burst}
[[ -v BURST ]] || "$programs/examples/make_sample_frames" "$work/burst" --wide "$frames"
mask=$burst/truth/mask.png
for ((run = 1; run <= runs; run++)); do
    command time -f '%e %M' -o "$work/time.ours.$run" "$programs/nightsheaf-cli" stack "$burst" --mask "$mask" \
        --space camera-linear --output "$work/ours.tif" --quiet
    command time -f '%e %M' -o "$work/time.peer.$run" "$python" "$peer" "$burst" "$work/peer.tif" --mask "$mask" >/dev/null
    echo "run $run: ours $(cat "$work/time.ours.$run"), peer $(cat "$work/time.peer.$run") (seconds, KiB)"
done
median() { cat "$work/time.$1".* | awk -v column="$2" '{print $column}' | sort -n | awk '{a[NR] = $1} END {print a[int((NR + 1) / 2)]}'; }
awk -v ours="$(median ours 1)" -v peer="$(median peer 1)" -v small="$(median ours 2)" -v large="$(median peer 2)" 'BEGIN {
    printf "time: peer / ours = %.1f; memory: peer / ours = %.1f\n", peer / ours, large / small }'
