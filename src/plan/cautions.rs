//! What to think of before walking out at night. Short; the people in charge of the place come first.

/// The cautions shown with every plan.
pub const CAUTIONS: [&str; 7] = [
    "Local rules and rangers come first: closing hours, permits, lights, drones, fires",
    "Weather: check the forecast again before you leave, and have a point where you turn back",
    "Cold: it is coldest before dawn; dress for standing still, keep spare batteries warm",
    "Terrain: walk the way by daylight once; stay back from edges and water in the dark",
    "Tides: on a shore, know the time of high water and your way out",
    "Wildlife and private land: keep your distance, ask the owner, leave gates as you found them",
    "Alone: tell someone where you are and when you will be back",
];
