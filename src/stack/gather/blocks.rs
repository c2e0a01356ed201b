//! Which rows of a stack belong together: rows of one child, and the blocks of `--blocks`, such as families.
//!
//! A child whose cell in that column is empty is a block by itself, and a note says how many these are.

use std::collections::HashMap;

use serde_json::{Value, json};

use super::children::GatheredChildren;
use super::error::{BlocksError, NoColumn};
use crate::group::exchange::Blocks;
use crate::tables::no_value;

/// The blocks of a stack's rows.
#[derive(Debug)]
pub(crate) struct StackBlocks {
    /// The column of `--blocks`.
    pub column: Option<String>,
    pub blocks: Blocks,
    /// Children without a cell there.
    pub without: usize,
}

impl StackBlocks {
    /// Reads them; `header` is the first line of the cohort table.
    pub(crate) fn read(column: Option<&str>, header: &[String], found: &GatheredChildren) -> Result<Self, BlocksError> {
        let participants: Vec<&str> = found.children.iter().map(|child| child.ids[0].as_str()).collect();
        let Some(column) = column else {
            return Ok(Self { column: None, blocks: Blocks::new::<_, &str>(&participants, None), without: 0 });
        };
        let at = header.iter().position(|known| known == column);
        let at = at.ok_or_else(|| NoColumn::new("--blocks", column, header))?;
        let cells = found.children.iter().map(|child| child.cells.split('\t').nth(at).unwrap_or_default().trim());
        // A child of no block is a block by itself.
        let of = |(cell, participant)| if no_value(cell) { (false, participant) } else { (true, cell) };
        let blocks: Vec<(bool, &str)> = cells.zip(participants.iter().copied()).map(of).collect();
        let mut first: HashMap<&str, (bool, &str)> = HashMap::new();
        for (participant, block) in participants.iter().copied().zip(&blocks) {
            let known = first.entry(participant).or_insert(*block);
            if known != block {
                let word = |(named, block): &(bool, &str)| if *named { (*block).to_owned() } else { "n/a".to_owned() };
                let (column, participant) = (column.to_owned(), participant.to_owned());
                return Err(BlocksError::TwoBlocks { column, participant, one: word(known), other: word(block) });
            }
        }
        let without = first.values().filter(|(named, _)| !named).count();
        Ok(Self { column: Some(column.to_owned()), blocks: Blocks::new(&participants, Some(&blocks)), without })
    }

    /// What `stack.json` says of them.
    pub(crate) fn told(&self) -> Value {
        let sizes: serde_json::Map<String, Value> =
            self.blocks.sizes().iter().map(|(size, count)| (size.to_string(), json!(count))).collect();
        json!({
            "by": self.column.as_deref().unwrap_or("participant_id"),
            "blocks": self.blocks.count(),
            "blocks_by_rows": sizes,
            "children_without": self.without,
        })
    }

    /// What to know of them.
    pub(crate) fn notes(&self) -> Option<String> {
        let column = self.column.as_deref().filter(|_| self.without > 0)?;
        let (who, are) = if self.without == 1 { ("1 child", "is") } else { ("children", "are") };
        let who = if self.without == 1 { who.to_owned() } else { format!("{} {who}", self.without) };
        Some(format!("{who} without a value in {column} (--blocks) {are} taken to be related to no other"))
    }
}
