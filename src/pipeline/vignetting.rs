//! Where the falloff of the lens is known from: flats, which are applied to every frame; else the lens profile or
//! the sky, which are made up for when the picture is developed, and only if the person wants it.

use crate::develop::{Falloff, Hold, SkyFalloff};
use crate::foreground::ForegroundMask;
use crate::pipeline::report::{FalloffSource, VignettingReport};
use crate::pixels::{Layout, LinearImage};
use crate::raw::Metadata;
use crate::register::LensProfile;

/// Apertures that differ by a larger share have another falloff.
const SAME_APERTURE: f64 = 0.05;

/// What is known before the sky is asked.
pub(super) struct Known<'a> {
    /// What the flats used show.
    pub(super) of_flat: Option<Falloff>,
    pub(super) profile: Option<&'a LensProfile>,
    pub(super) metadata: &'a Metadata,
    pub(super) layout: Layout,
    /// How the camera was held, where the focal length is known.
    pub(super) hold: Option<Hold>,
}

/// The falloff to be made up for in development, and what to tell of it.
pub(super) fn find(
    known: &Known<'_>,
    image: &LinearImage,
    foreground: Option<&ForegroundMask>,
) -> (Option<Falloff>, VignettingReport) {
    if let Some(falloff) = known.of_flat {
        return (None, VignettingReport::new(FalloffSource::Flats, &falloff, String::new()));
    }
    let mut reason = String::new();
    if let Some(of_profile) = known.profile.and_then(|profile| profile.falloff) {
        match (of_profile.aperture, known.metadata.aperture) {
            (Some(of), Some(stated)) if (of / stated - 1.0).abs() > SAME_APERTURE => {
                reason = format!("the falloff in the lens profile is of f/{of}, the frames state f/{stated}; ");
            }
            _ => {
                if let Some(falloff) = Falloff::new(of_profile.terms) {
                    return (Some(falloff), VignettingReport::new(FalloffSource::Profile, &falloff, String::new()));
                }
                "the falloff in the lens profile is that of no lens; ".clone_into(&mut reason);
            }
        }
    }
    if known.layout == Layout::Rgb {
        reason.push_str("the frames are developed pictures, whose corners may have been levelled");
        return (None, VignettingReport::none(reason));
    }
    match SkyFalloff::of_sky(image, foreground, known.hold) {
        Ok(found) => {
            reason.push_str(&format!("{:.0} times its error", found.significance));
            (Some(found.falloff), VignettingReport::new(FalloffSource::Sky, &found.falloff, reason))
        }
        Err(why) => {
            reason.push_str(&why);
            (None, VignettingReport::none(reason))
        }
    }
}
