//! The colours of values around zero: orange above, grey-white at zero, blue below; the stronger the value, the darker.
//!
//! The stops are computed in OKLab (Björn Ottosson 2020, "A perceptual color space for image processing", from memory),
//! where equal steps look about equal. Lightness falls in a straight line from the middle to either end, equally on
//! both sides, so that a value and its opposite look equally strong. The hue of each side stays the same. Chroma rises
//! from zero as part of a sine. Lightness, hues and chroma are our own choice. The colours are the same in light and in
//! dark mode, because they are painted on a light ground of their own.

use std::fmt::Write;

/// Steps from the middle to an end.
pub(crate) const STEPS: usize = 16;
/// All stops: the lowest first, zero in the middle.
pub(crate) const STOPS: usize = 2 * STEPS + 1;

/// Lightness of zero and of an end (0 black, 1 white).
const MIDDLE_LIGHTNESS: f64 = 0.97;
const END_LIGHTNESS: f64 = 0.45;
/// Hues, degrees: orange and blue.
const ABOVE_DEGREES: f64 = 55.0;
const BELOW_DEGREES: f64 = 250.0;
/// Chroma at its largest, and the share of half a sine that is run through: the end is darker, so it holds less.
const CHROMA: f64 = 0.13;
const SINE_SHARE: f64 = 0.72;

/// A stop as red, green and blue.
pub(crate) fn stop(position: usize) -> [u8; 3] {
    let away = (position as f64 - STEPS as f64) / STEPS as f64;
    let strength = away.abs();
    let lightness = MIDDLE_LIGHTNESS + (END_LIGHTNESS - MIDDLE_LIGHTNESS) * strength;
    let chroma = CHROMA * (std::f64::consts::PI * SINE_SHARE * strength).sin();
    let hue = if away > 0.0 { ABOVE_DEGREES } else { BELOW_DEGREES }.to_radians();
    from_oklab([lightness, chroma * hue.cos(), chroma * hue.sin()]).map(|share| (255.0 * encoded(share)).round() as u8)
}

/// The stop of a value; `most` and beyond have the stop at the end.
pub(crate) fn position(value: f64, most: f64) -> usize {
    (STEPS as f64 * (1.0 + (value / most).clamp(-1.0, 1.0))).round() as usize
}

/// Whether words on a stop are white rather than black.
fn takes_white(position: usize) -> bool {
    contrast(luminance(stop(position)), 1.0) > contrast(luminance(stop(position)), 0.0)
}

/// The part of the style sheet that the ramp is: each stop as a variable and as the class of a cell, words on a cell,
/// and the ramp from end to end.
pub(crate) fn style() -> String {
    let colours: Vec<String> = (0..STOPS).map(stop).map(|[r, g, b]| format!("#{r:02x}{g:02x}{b:02x}")).collect();
    let mut css = ":root {".to_owned();
    for (position, colour) in colours.iter().enumerate() {
        let _ = write!(css, " --ramp-{position}: {colour};");
    }
    css += " }\n";
    for position in 0..STOPS {
        let words = if takes_white(position) { "#fff" } else { "#000" };
        let _ = writeln!(
            css,
            ".chart .stop-{position} {{ fill: var(--ramp-{position}); }} .chart .on-{position} {{ fill: {words}; }}"
        );
    }
    let _ = writeln!(css, ".ramp {{ background: linear-gradient(90deg, {}); }}", colours.join(", "));
    css
}

/// OKLab to linear shares of red, green and blue (sRGB's primaries).
fn from_oklab([lightness, a, b]: [f64; 3]) -> [f64; 3] {
    let l = (lightness + 0.396_337_777_4 * a + 0.215_803_757_3 * b).powi(3);
    let m = (lightness - 0.105_561_345_8 * a - 0.063_854_172_8 * b).powi(3);
    let s = (lightness - 0.089_484_177_5 * a - 1.291_485_548_0 * b).powi(3);
    [
        4.076_741_662_1 * l - 3.307_711_591_3 * m + 0.230_969_929_2 * s,
        -1.268_438_004_6 * l + 2.609_757_401_1 * m - 0.341_319_396_5 * s,
        -0.004_196_086_3 * l - 0.703_418_614_7 * m + 1.707_614_701_0 * s,
    ]
}

/// A linear share as sRGB writes it (IEC 61966-2-1).
fn encoded(share: f64) -> f64 {
    let share = share.clamp(0.0, 1.0);
    if share <= 0.003_130_8 { 12.92 * share } else { 1.055 * share.powf(1.0 / 2.4) - 0.055 }
}

/// The way back of [`encoded`].
fn decoded(byte: u8) -> f64 {
    let value = f64::from(byte) / 255.0;
    if value <= 0.040_45 { value / 12.92 } else { ((value + 0.055) / 1.055).powf(2.4) }
}

/// Relative luminance and contrast of two of them, as WCAG 2 defines both.
fn luminance(colour: [u8; 3]) -> f64 {
    let [r, g, b] = colour.map(decoded);
    0.2126 * r + 0.7152 * g + 0.0722 * b
}
fn contrast(one: f64, other: f64) -> f64 {
    (one.max(other) + 0.05) / (one.min(other) + 0.05)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The other way, as the same source gives it.
    fn to_oklab(colour: [u8; 3]) -> [f64; 3] {
        let [r, g, b] = colour.map(decoded);
        let l = (0.412_221_470_8 * r + 0.536_332_536_3 * g + 0.051_445_992_9 * b).cbrt();
        let m = (0.211_903_498_2 * r + 0.680_699_545_1 * g + 0.107_396_956_6 * b).cbrt();
        let s = (0.088_302_461_9 * r + 0.281_718_837_6 * g + 0.629_978_700_5 * b).cbrt();
        [
            0.210_454_255_3 * l + 0.793_617_785_0 * m - 0.004_072_046_8 * s,
            1.977_998_495_1 * l - 2.428_592_205_0 * m + 0.450_593_709_9 * s,
            0.025_904_037_1 * l + 0.782_771_766_2 * m - 0.808_675_766_0 * s,
        ]
    }

    #[test]
    fn oklab_is_that_of_its_source() {
        // White has lightness 1 and no hue; there and back again gives the same colour.
        let white = to_oklab([255; 3]);
        assert!((white[0] - 1.0).abs() < 1e-6 && white[1].abs() < 1e-6 && white[2].abs() < 1e-6, "{white:?}");
        for colour in [[0, 0, 0], [255, 0, 0], [0, 255, 0], [0, 0, 255], [12, 200, 77], [255; 3]] {
            let back = from_oklab(to_oklab(colour)).map(|share| (255.0 * encoded(share)).round() as u8);
            assert_eq!(back, colour);
        }
    }

    #[test]
    fn both_sides_are_equally_strong_and_keep_their_hue() {
        let [middle, a, b] = to_oklab(stop(STEPS));
        assert!((middle - MIDDLE_LIGHTNESS).abs() < 0.005 && a.hypot(b) < 0.003, "zero has no hue");
        for step in 1..=STEPS {
            let [above, below] = [STEPS + step, STEPS - step].map(|position| to_oklab(stop(position)));
            // A colour outside what a screen can show would have been cut off, and be lighter or of another hue.
            let expected = MIDDLE_LIGHTNESS + (END_LIGHTNESS - MIDDLE_LIGHTNESS) * step as f64 / STEPS as f64;
            assert!((above[0] - expected).abs() < 0.005 && (below[0] - expected).abs() < 0.005, "{step}");
            for ([_, a, b], degrees) in [(above, ABOVE_DEGREES), (below, BELOW_DEGREES)] {
                let hue = b.atan2(a).to_degrees().rem_euclid(360.0);
                assert!((hue - degrees).abs() < 4.0, "{step}: hue {hue}");
            }
            let [[r, _, b], [dark_r, _, dark_b]] = [stop(STEPS + step), stop(STEPS - step)];
            assert!(r > b && dark_b > dark_r, "orange above, blue below");
        }
    }

    #[test]
    fn words_can_be_read_on_every_stop() {
        for position in 0..STOPS {
            let words = if takes_white(position) { 1.0 } else { 0.0 };
            assert!(contrast(luminance(stop(position)), words) >= 4.5, "{position}");
        }
        assert!(takes_white(0) && !takes_white(STEPS) && takes_white(STOPS - 1));
    }

    #[test]
    fn values_find_their_stops() {
        assert_eq!([-2.0, -1.0, 0.0, 0.5, 1.0].map(|v| position(v, 1.0)), [0, 0, STEPS, 24, STOPS - 1]);
    }

    #[test]
    fn the_style_has_every_stop() {
        let css = style();
        for position in 0..STOPS {
            let [r, g, b] = stop(position);
            assert!(css.contains(&format!("--ramp-{position}: #{r:02x}{g:02x}{b:02x};")));
        }
    }
}
