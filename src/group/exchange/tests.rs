use std::collections::BTreeSet;

use ndarray::Array1;

use super::*;

/// Rows of twins (0, 0), a child by itself, twins, a child by itself.
fn families() -> Blocks {
    let participants: Vec<usize> = (0..6).collect();
    Blocks::new(&participants, Some(&["ash", "ash", "elm", "fir", "fir", "oak"]))
}

/// The orders that are ever drawn.
fn seen(exchange: &Exchange) -> BTreeSet<Vec<u32>> {
    exchange.draw(0..600, 3).rows().into_iter().map(|row| row.to_vec()).collect()
}

fn column(values: &[f64]) -> Array1<f64> {
    Array1::from_vec(values.to_vec())
}

#[test]
fn whole_blocks_change_places_with_blocks_of_their_size() {
    let exchange = families().exchange(column(&[1.0, 1.0, 5.0, 2.0, 2.0, 3.0]).view()).unwrap();
    let expected: [&[u32]; 4] = [&[0, 1, 2, 3, 4, 5], &[0, 1, 5, 3, 4, 2], &[3, 4, 2, 0, 1, 5], &[3, 4, 5, 0, 1, 2]];
    assert_eq!(seen(&exchange), expected.iter().map(|row| row.to_vec()).collect());
    assert_eq!((exchange.orders(), exchange.units(), exchange.free_units()), (4.0, 4, 2));
}

#[test]
fn rows_change_places_within_their_blocks() {
    let exchange = families().exchange(column(&[-1.0, 1.0, 0.0, 0.5, -0.5, 0.0]).view()).unwrap();
    let expected: [&[u32]; 4] = [&[0, 1, 2, 3, 4, 5], &[1, 0, 2, 3, 4, 5], &[0, 1, 2, 4, 3, 5], &[1, 0, 2, 4, 3, 5]];
    assert_eq!(seen(&exchange), expected.iter().map(|row| row.to_vec()).collect());
    assert_eq!(exchange.orders(), 4.0);
}

#[test]
fn what_varies_both_ways_is_refused_and_its_parts_are_not() {
    let blocks = families();
    let both = [8.0, 9.0, 7.0, 10.0, 12.0, 9.0];
    assert_eq!(blocks.varies(column(&both).view()), Varies::BothWays);
    assert!(blocks.exchange(column(&both).view()).is_none());
    let between = blocks.means(&both);
    assert_eq!(between, [8.5, 8.5, 7.0, 11.0, 11.0, 9.0]);
    let within: Vec<f64> = both.iter().zip(&between).map(|(x, mean)| x - mean).collect();
    assert_eq!(blocks.varies(column(&between).view()), Varies::Between);
    assert_eq!(blocks.varies(column(&within).view()), Varies::Within);
    // As a table with seven digits has it.
    let rounded: Vec<f64> = within.iter().map(|v| f64::from((v / 3.0) as f32)).collect();
    assert_eq!(blocks.varies(column(&rounded).view()), Varies::Within);
}

/// Two families of two children; the first child of each has two sessions.
#[test]
fn participants_change_places_within_their_families_and_sessions_within_participants() {
    let participants = ["a", "a", "b", "c", "d", "d"];
    let blocks = Blocks::new(&participants, Some(&[1, 1, 1, 2, 2, 2]));
    assert_eq!((blocks.count(), blocks.children(), blocks.rows()), (2, 4, 6));
    // The single row of the second family comes first there; families still match.
    let whole = blocks.exchange(column(&[1.0, 1.0, 1.0, 2.0, 2.0, 2.0]).view()).unwrap();
    let expected: [&[u32]; 2] = [&[0, 1, 2, 3, 4, 5], &[4, 5, 3, 2, 0, 1]];
    assert_eq!(seen(&whole), expected.iter().map(|row| row.to_vec()).collect());
    // Within families, between participants of unlike size: nobody to change places with.
    let children = blocks.exchange(column(&[1.0, 1.0, -2.0, 4.0, -2.0, -2.0]).view()).unwrap();
    assert_eq!(children.orders(), 1.0);
    let sessions = blocks.exchange(column(&[1.0, -1.0, 0.0, 0.0, 2.0, -2.0]).view()).unwrap();
    assert_eq!(sessions.orders(), 4.0);
    assert!(seen(&sessions).contains(&vec![1, 0, 2, 3, 5, 4]));
    // Within families, both between and within participants.
    assert!(blocks.exchange(column(&[1.0, 2.0, -3.0, 0.0, 1.0, -1.0]).view()).is_none());
}

#[test]
fn without_blocks_orders_are_as_they_were() {
    let free = Exchange::free(5);
    assert_eq!(Blocks::single(5).whole(), free);
    let column = column(&[1.0, 2.0, 3.0, 4.0, 4.5]);
    assert_eq!(Blocks::single(5).exchange(column.view()), Some(free.clone()));
    assert_eq!(free.orders(), 120.0);
    // Drawn by the program before there were blocks.
    assert_eq!(free.draw(3..5, 7), free.draw(0..5, 7).slice(ndarray::s![3.., ..]));
    assert_eq!(Exchange::free(0).draw(0..2, 1).dim(), (2, 0));
}

#[test]
fn orders_within_pools_are_drawn_evenly() {
    let blocks = Blocks::new::<_, u32>(&[0, 0, 1, 1, 2, 2, 3, 3], None);
    let mut counts = HashMap::new();
    for row in blocks.whole().draw(0..24_000, 7).rows() {
        assert!((0..4).all(|block| row[2 * block] % 2 == 0 && row[2 * block + 1] == row[2 * block] + 1));
        *counts.entry(row.to_vec()).or_insert(0usize) += 1;
    }
    assert_eq!(counts.len(), 24);
    let chi: f64 = counts.values().map(|&n| (n as f64 - 1000.0).powi(2) / 1000.0).sum();
    assert!(chi < 58.6, "{chi}");
}

#[test]
fn orders_among_some_rows_are_drawn_evenly_and_near_those_of_all() {
    let free = Exchange::free(5);
    let drawn = free.draw(0..24_000, 7);
    let among = free.among(&[2, 4]).unwrap();
    assert_eq!(among.rows(), [0, 1, 3]);
    let orders = among.orders(drawn.view());
    let mut counts = HashMap::new();
    orders.rows().into_iter().for_each(|row| *counts.entry(row.to_vec()).or_insert(0usize) += 1);
    assert_eq!(counts.len(), 6);
    // χ² of 5 degrees of freedom: 27.9 is passed once in 25,000 seeds; this seed is fixed.
    let chi: f64 = counts.values().map(|&n| (n as f64 - 4000.0).powi(2) / 4000.0).sum();
    assert!(chi < 27.9, "{chi}");
    // Rows that are sent to one that is there go there.
    for (all, some) in drawn.rows().into_iter().zip(orders.rows()).take(200) {
        for (place, &row) in among.rows().iter().enumerate() {
            let to = among.rows().iter().position(|&other| other == all[row] as usize);
            assert!(to.is_none_or(|to| to == some[place] as usize));
        }
    }
    assert_eq!(free.among(&[]).unwrap().orders(drawn.view()), drawn);
}

#[test]
fn among_some_rows_only_whole_units_move() {
    // Twins 0 and 1, 2 and 3, 4 and 5, and children by themselves, 6 to 8.
    let participants: Vec<usize> = (0..9).collect();
    let whole = Blocks::new(&participants, Some(&[0, 0, 1, 1, 2, 2, 3, 4, 5])).whole();
    let drawn = whole.draw(0..600, 3);
    let seen = |absent: &[u32]| -> Option<BTreeSet<Vec<u32>>> {
        let among = whole.among(absent)?;
        Some(among.orders(drawn.view()).rows().into_iter().map(|row| row.to_vec()).collect())
    };
    // Without row 3 its twin stays; without row 7 the others of its size change places.
    let expected: [&[u32]; 4] =
        [&[0, 1, 2, 3, 4, 5, 6], &[0, 1, 2, 3, 4, 6, 5], &[3, 4, 2, 0, 1, 5, 6], &[3, 4, 2, 0, 1, 6, 5]];
    assert_eq!(seen(&[3, 7]).unwrap(), expected.iter().map(|row| row.to_vec()).collect());
    // A pair of twins has no other to change places with, so of six rows only two still move.
    assert!(seen(&[1, 3, 7]).is_none());
    // Nothing ever moved: nothing is lost.
    let still = Blocks::new(&[0, 1, 2], Some(&[0, 0, 1])).whole();
    assert_eq!(still.among(&[1]).unwrap().orders(still.draw(0..2, 1).view()), ndarray::array![[0, 1], [0, 1]]);
}
