//! The digest that identifies the results that a reviewer looked at.

use super::ScanRecord;
use super::archive::Checksum;
use crate::discover::ScanId;

/// BLAKE3, hex, over each run's name, kept frames, displacement, used parcels and cleaned series, or over the fact that
/// it failed. Versions, names of outputs and page settings are not in it: a decision stays current as long as the
/// results do. Numbers count as the tables write them, in single precision.
#[must_use]
pub fn results_digest<'a>(runs: impl IntoIterator<Item = Result<&'a ScanRecord, &'a ScanId>>) -> String {
    let mut sum = Checksum::new();
    let named = |sum: &mut Checksum, text: &str| {
        sum.bytes(&(text.len() as u64).to_le_bytes());
        sum.bytes(text.as_bytes());
    };
    for run in runs {
        match run {
            Ok(record) => {
                named(&mut sum, &record.id.to_string());
                sum.bytes(&record.kept.iter().map(|&k| u8::from(k)).collect::<Vec<u8>>());
                sum.numbers_f32(record.fd_judged_mm());
                for atlas in &record.atlases {
                    named(&mut sum, &atlas.name);
                    sum.bytes(&atlas.used.iter().map(|&k| u8::from(k)).collect::<Vec<u8>>());
                    if let Some(residuals) = &atlas.residuals {
                        sum.numbers_f32(residuals);
                    }
                }
            }
            Err(id) => {
                named(&mut sum, &id.to_string());
                named(&mut sum, "failed");
            }
        }
    }
    sum.finish()
}
