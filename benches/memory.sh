#!/usr/bin/env bash
# Peak memory and time of a whole run over the number of frames, on an invented burst of 24 megapixels:
#   benches/memory.sh [DISTINCT_FRAMES] [COUNTS] [MEMORY...]
# Four frames (by default) are made and lie in a folder under as many names as a count asks for, which costs no disk
# for the frames; the scratch file has its full size. Prints a table: frames, memory asked for, peak of the program
# with its decoding children as the report says, peak of the program as GNU time says, seconds. PROGRAMS names a folder
# with another release build. 200 frames take 10 GB of disk.
set -euo pipefail
cd "$(dirname "$0")/.."
distinct=${1:-4} counts=${2:-"8 16 60 200"}
shift $(($# < 2 ? $# : 2))
settings=("$@")
((${#settings[@]})) || settings=(1.5GiB)
programs=${PROGRAMS:-target/release}
[[ -v PROGRAMS ]] || cargo build --quiet --release --no-default-features --bin nightsheaf-cli --example make_sample_frames
work=$(mktemp -d -p .)
trap 'rm -rf "$work"' EXIT
"$programs/examples/make_sample_frames" "$work/burst" --wide "$distinct"
mapfile -t frames < <(ls "$work"/burst/*.dng)
echo "| frames | asked for | peak by the report, MiB | peak of the program by the system, MiB | seconds |"
echo "| ---: | ---: | ---: | ---: | ---: |"
for count in $counts; do
    mkdir "$work/many"
    for ((k = 0; k < count; k++)); do ln "${frames[k % distinct]}" "$work/many/$(printf '%04d' "$k").dng"; done
    for memory in "${settings[@]}"; do
        command time -f '%e %M' -o "$work/time" "$programs/nightsheaf-cli" stack "$work/many" --memory "$memory" \
            --mask "$work/burst/truth/mask.png" --space camera-linear --output "$work/out.tif" --report "$work/report.json" --quiet
        peak=$(sed -n 's/.*"peak_memory_bytes": \([0-9]*\).*/\1/p' "$work/report.json")
        read -r seconds kibibytes < <(tail -1 "$work/time")
        echo "| $count | $memory | $((peak >> 20)) | $((kibibytes >> 10)) | $seconds |"
    done
    rm -r "$work/many"
done
