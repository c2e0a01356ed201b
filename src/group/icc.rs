//! How alike a child's sessions are: intraclass correlations.
//!
//! Shrout & Fleiss 1979, Psychol Bull 86:420, with children as targets and sessions as judges, n × k of them. With mean
//! squares between children (BMS), between sessions (JMS) and of what is left (EMS), and within children (WMS):
//!
//! - ICC(1,1) = (BMS − WMS)/(BMS + (k − 1) WMS): sessions without an order;
//! - ICC(2,1) = (BMS − EMS)/(BMS + (k − 1) EMS + k (JMS − EMS)/n): agreement; a change that all children share counts
//!   against it;
//! - ICC(3,1) = (BMS − EMS)/(BMS + (k − 1) EMS): consistency; such a change does not.
//!
//! All may fall below 0 by chance. Children who lack a session lack a value in the table and are left out.

use ndarray::{ArrayView2, Axis};

/// Intraclass correlations of one table; NaN where there are fewer than two children or sessions, or nothing varies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Icc {
    /// Children with all sessions.
    pub children: usize,
    /// ICC(1,1).
    pub one_way: f64,
    /// ICC(2,1).
    pub agreement: f64,
    /// ICC(3,1).
    pub consistency: f64,
}

/// The intraclass correlations of children × sessions.
#[must_use]
pub fn icc(table: ArrayView2<'_, f64>) -> Icc {
    let complete: Vec<usize> =
        (0..table.nrows()).filter(|&child| table.row(child).iter().all(|v| v.is_finite())).collect();
    let (children, sessions) = (complete.len(), table.ncols());
    if children < 2 || sessions < 2 {
        return Icc { children, one_way: f64::NAN, agreement: f64::NAN, consistency: f64::NAN };
    }
    let table = table.select(Axis(0), &complete);
    let (n, k) = (children as f64, sessions as f64);
    let mean = table.sum() / (n * k);
    let of_children = table.sum_axis(Axis(1)) / k;
    let of_sessions = table.sum_axis(Axis(0)) / n;
    let square = |sum: f64, x: &f64| sum + (x - mean) * (x - mean);
    let between = k * of_children.iter().fold(0.0, square);
    let judges = n * of_sessions.iter().fold(0.0, square);
    // Formed as such, so that a perfect agreement leaves exactly nothing.
    let (mut within, mut left) = (0.0, 0.0);
    for ((child, session), value) in table.indexed_iter() {
        within += (value - of_children[child]).powi(2);
        left += (value - of_children[child] - of_sessions[session] + mean).powi(2);
    }
    let (bms, jms) = (between / (n - 1.0), judges / (k - 1.0));
    let (ems, wms) = (left / ((n - 1.0) * (k - 1.0)), within / (n * (k - 1.0)));
    Icc {
        children,
        one_way: (bms - wms) / (bms + (k - 1.0) * wms),
        agreement: (bms - ems) / (bms + (k - 1.0) * ems + k * (jms - ems) / n),
        consistency: (bms - ems) / (bms + (k - 1.0) * ems),
    }
}

#[cfg(test)]
mod tests {
    use ndarray::{Array2, array};

    use super::*;

    /// Shrout & Fleiss 1979, tables 2 and 4 (from memory).
    #[test]
    fn the_published_example() {
        let table = array![
            [9.0, 2.0, 5.0, 8.0],
            [6.0, 1.0, 3.0, 2.0],
            [8.0, 4.0, 6.0, 8.0],
            [7.0, 1.0, 2.0, 6.0],
            [10.0, 5.0, 6.0, 9.0],
            [6.0, 2.0, 4.0, 7.0],
        ];
        let found = icc(table.view());
        let rounded = [found.one_way, found.agreement, found.consistency].map(|v| (100.0 * v).round() / 100.0);
        assert_eq!((found.children, rounded), (6, [0.17, 0.29, 0.71]));
        // A child who lacks a session does not count.
        let more = ndarray::concatenate![Axis(0), table, array![[1.0, 2.0, f64::NAN, 4.0]]];
        assert_eq!(icc(more.view()), found);
    }

    #[test]
    fn a_shift_of_all_children_costs_agreement_and_not_consistency() {
        let table = Array2::from_shape_fn((5, 2), |(child, session)| child as f64 + 2.0 * session as f64);
        let found = icc(table.view());
        assert_eq!(found.consistency, 1.0);
        assert!(found.agreement < 0.7 && found.one_way < found.agreement);
        let nothing = icc(Array2::from_elem((4, 3), 0.5).view());
        assert!(nothing.agreement.is_nan() && nothing.consistency.is_nan());
        assert!(icc(table.slice(ndarray::s![..1, ..])).consistency.is_nan());
        assert!(icc(table.slice(ndarray::s![.., ..1])).consistency.is_nan());
    }
}
