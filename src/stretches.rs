//! Runs of consecutive `true` among flags: kept and dropped stretches of frames, and rows of voxels inside a mask.

/// Half-open ranges of consecutive `true`, in order.
pub(crate) fn stretches(flags: &[bool]) -> Vec<(usize, usize)> {
    let mut found = Vec::new();
    let mut start = None;
    for (i, &flag) in flags.iter().chain([&false]).enumerate() {
        match (flag, start) {
            (true, None) => start = Some(i),
            (false, Some(first)) => {
                found.push((first, i));
                start = None;
            }
            _ => {}
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_small_pattern_is_covered_once_and_in_order() {
        for bits in 0u32..1 << 9 {
            let flags: Vec<bool> = (0..9).map(|i| bits >> i & 1 == 1).collect();
            let mut painted = vec![false; 9];
            let mut end_before = None;
            for (start, end) in stretches(&flags) {
                assert!(start < end && end_before.is_none_or(|before| start > before), "{flags:?}");
                painted[start..end].fill(true);
                end_before = Some(end);
            }
            assert_eq!(painted, flags);
        }
        assert!(stretches(&[]).is_empty());
    }
}
