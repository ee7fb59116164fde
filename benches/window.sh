#!/usr/bin/env bash
# How long the window takes to its first picture, to stop a run that is cancelled, and for each frame of the
# screen while the divider and the exposure are dragged, in software rendering, by the window's own clock
# (src/gui/frame_clock.rs: from the begin of a frame to that of the next, graphics and all). LOOK names a folder
# for pictures of the screen, which show that it is they that are dragged.
#
#   benches/window.sh FRAME...       frames of one burst; 24 megapixels for the figures in docs/window.md
#
# Needs Xvfb and xdotool, ImageMagick for LOOK, and `cargo build --release`; PROGRAM names another build.
set -euo pipefail
program="${PROGRAM:-$(dirname "$0")/../target/release/nightsheaf}"
work="$(mktemp -d)"
times="$work/times"
Xvfb -displayfd 3 -screen 0 1280x800x24 +extension GLX -nolisten tcp > /dev/null 2>&1 3> "$work/display" &
server=$!
trap 'kill "$window" "$server" 2> /dev/null || true; rm -rf "$work"' EXIT
until [ -s "$work/display" ]; do sleep 0.1; done
export DISPLAY=":$(cat "$work/display")" LIBGL_ALWAYS_SOFTWARE=1 DBUS_SESSION_BUS_ADDRESS=unix:path=/nonexistent
export XDG_CONFIG_HOME="$work" XDG_DATA_HOME="$work" XDG_STATE_HOME="$work" NIGHTSHEAF_FRAME_TIMES="$times"
unset WAYLAND_DISPLAY

title() { xdotool search --name Nightsheaf getwindowname 2> /dev/null | tail -1; }
wait_for() { until [[ "$(title)" == $1 ]]; do sleep 0.3; done; }
look() { [ -z "${LOOK:-}" ] || import -window root "$LOOK/$1.png"; }
drag() { # from x, to x, y: there and back, three times
    there=() back=()
    for x in $(seq "$1" 6 "$2"); do there+=(mousemove "$x" "$3" sleep 0.012); done
    for x in $(seq "$2" -6 "$1"); do back+=(mousemove "$x" "$3" sleep 0.012); done
    xdotool mousemove "$1" "$3" mousedown 1 "${there[@]}"
    look "held-from-$1-to-$2"
    # One process sends all: the machine's cores are the window's.
    xdotool "${back[@]}" "${there[@]}" "${back[@]}" "${there[@]}" "${back[@]}" mouseup 1
}

"$program" "$@" &
window=$!
wait_for "*Nightsheaf"
# A window that is not mapped yet takes no focus.
until xdotool search --sync --name Nightsheaf windowmove 0 0 windowfocus 2> /dev/null; do sleep 0.2; done
wait_for "$# frames*"
sleep 1
# Cancelled in the middle, and begun again.
for pause in 1 3; do
    xdotool key ctrl+Return
    sleep "$pause"
    xdotool key Escape
    # A run that was over before shows its stack: then nothing was left to cancel.
    until [[ "$(title)" == "$# frames"* || "$(title)" == "Stack of"* ]]; do sleep 0.3; done
    sleep 1
done
xdotool key ctrl+Return
wait_for "Stack of*"
sleep 4
# The divider stands in the middle of the canvas; then it is dragged over single pixels.
look before
drag 472 800 300
xdotool key 1
sleep 3
drag 472 800 300
look pixels
# The exposure, from the middle of its rail in the side column of a window of this size.
drag 1114 1200 "${SLIDER_Y:-250}"
look exposure
sleep 1
# Undone and written, the window closes without a question.
xdotool key ctrl+z
sleep 1
xdotool key ctrl+e
sleep 2
xdotool key ctrl+a
xdotool type "$work/night.tif"
xdotool key Return
wait_for "night.tif*"
xdotool key ctrl+q
wait "$window" || true
grep -v 'drag' "$times" | grep '^#' || true
n=0
for drag in "the divider, whole picture" "the divider, single pixels" "the exposure"; do
    n=$((n + 1))
    awk -v n="$n" '/drag/ { k++ } !/^#/ && k == n' "$times" | sort -n | awk -v name="$drag" '{ t[NR] = $1 } END {
        printf "%s: %d frames of the screen, median %.1f ms, 95 %% within %.1f ms, longest %.1f ms\n",
            name, NR, t[int(NR / 2) + 1], t[int(NR * 0.95)], t[NR] }'
done
