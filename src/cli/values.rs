//! Values of options as a person writes them.

use crate::pipeline::WhiteBalance;

/// A number above 0.
pub(super) fn positive_f32(text: &str) -> Result<f32, String> {
    match text.parse::<f32>() {
        Ok(value) if value > 0.0 && value.is_finite() => Ok(value),
        _ => Err("needs a number above 0".to_owned()),
    }
}

/// `as-shot`, `daylight`, `tungsten`, `sky`, or three positive camera values.
pub(super) fn white_balance(text: &str) -> Result<WhiteBalance, String> {
    match text {
        "as-shot" => Ok(WhiteBalance::AsShot),
        "daylight" => Ok(WhiteBalance::Daylight),
        "tungsten" => Ok(WhiteBalance::Tungsten),
        "sky" => Ok(WhiteBalance::FromSky),
        values => {
            let neutral: Vec<f64> = values.split(',').filter_map(|value| value.trim().parse().ok()).collect();
            match <[f64; 3]>::try_from(neutral) {
                Ok(neutral) if neutral.iter().all(|&value| value > 0.0 && value.is_finite()) => {
                    Ok(WhiteBalance::Picked(neutral))
                }
                _ => Err("needs as-shot, daylight, tungsten, sky, or three positive values R,G,B".to_owned()),
            }
        }
    }
}

/// A number with KiB, MiB or GiB (or K, M, G), at least 256 MiB.
pub(super) fn memory_size(text: &str) -> Result<u64, String> {
    let digits = text.trim_end_matches(|letter: char| letter.is_ascii_alphabetic());
    let factor: f64 = match text[digits.len()..].to_ascii_lowercase().as_str() {
        "g" | "gib" => 1_073_741_824.0,
        "m" | "mib" => 1_048_576.0,
        "k" | "kib" => 1024.0,
        "" | "b" => 1.0,
        unit => return Err(format!("the unit {unit} is not one of GiB, MiB, KiB")),
    };
    let number: f64 = digits.trim().parse().map_err(|error| format!("needs a size such as 1.5GiB: {error}"))?;
    let bytes = number * factor;
    if !(bytes.is_finite() && bytes >= LEAST_MEMORY_BYTES) {
        return Err("needs at least 256MiB".to_owned());
    }
    // Finite and positive: the cast rounds down to whole bytes.
    Ok(bytes as u64)
}

/// Below this not even one frame of a small camera and its decoder fit.
const LEAST_MEMORY_BYTES: f64 = 268_435_456.0;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_are_read_with_their_unit() {
        assert_eq!(memory_size("1.5GiB"), Ok(1_610_612_736), "one and a half");
        assert_eq!(memory_size("900M"), Ok(943_718_400), "short unit");
        assert!(memory_size("12").is_err(), "too little");
        assert!(memory_size("2 parsecs").is_err(), "not a unit of memory");
    }

    #[test]
    fn a_balance_may_be_three_values() {
        assert_eq!(white_balance("0.5, 1,0.7"), Ok(WhiteBalance::Picked([0.5, 1.0, 0.7])), "three values");
        assert!(white_balance("0.5,1").is_err(), "two values");
        assert!(white_balance("0,1,1").is_err(), "a neutral has all colors");
    }
}
