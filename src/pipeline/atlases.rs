//! The atlases of a study, and what they look like on the grids of its scans.

use std::sync::{Arc, Mutex};

use crate::atlas::{Atlas, AtlasError, Grid, GriddedAtlas};
use crate::study::Study;

/// The atlases of a study, and what they look like on the grids met so far.
#[derive(Debug)]
pub struct Atlases {
    pub list: Vec<Atlas>,
    grids: Mutex<Vec<(Grid, Arc<Vec<GriddedAtlas>>)>>,
}

impl Atlases {
    /// Reads every atlas of a study.
    ///
    /// # Errors
    /// All that is wrong with any of them.
    pub fn read(study: &Study) -> Result<Self, Vec<AtlasError>> {
        let (mut list, mut errors) = (Vec::new(), Vec::new());
        for settings in &study.parcels {
            match Atlas::read(settings) {
                Ok(atlas) => list.push(atlas),
                Err(error) => errors.push(error),
            }
        }
        if errors.is_empty() { Ok(Self { list, grids: Mutex::new(Vec::new()) }) } else { Err(errors) }
    }

    /// The atlases on a scan's grid. They are worked out once per grid.
    pub(super) fn on(&self, grid: &Grid) -> Arc<Vec<GriddedAtlas>> {
        let known = |grids: &Vec<(Grid, Arc<Vec<GriddedAtlas>>)>| {
            grids.iter().find(|(g, _)| g == grid).map(|(_, atlases)| Arc::clone(atlases))
        };
        if let Some(atlases) = known(&self.grids.lock().unwrap_or_else(|e| e.into_inner())) {
            return atlases;
        }
        let made = Arc::new(self.list.iter().map(|atlas| atlas.on(grid)).collect::<Vec<_>>());
        let mut grids = self.grids.lock().unwrap_or_else(|e| e.into_inner());
        known(&grids).unwrap_or_else(|| {
            grids.push((*grid, Arc::clone(&made)));
            made
        })
    }
}
