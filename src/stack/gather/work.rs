//! What every later room works on.

use std::path::Path;

use super::blocks::StackBlocks;
use super::children::GatheredChildren;
use super::folders::Folders;
use super::parcels::StackedAtlas;
use super::step::Listener;

/// What every later room works on.
#[derive(Clone, Copy)]
pub(crate) struct Work<'a> {
    pub results: &'a Folders,
    /// Where the stack is written.
    pub folder: &'a Path,
    pub found: &'a GatheredChildren,
    /// Which of its rows belong together.
    pub blocks: &'a StackBlocks,
    pub atlases: &'a [StackedAtlas],
    pub tell: Listener<'a>,
}
