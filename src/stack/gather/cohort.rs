//! The cohort tables of all results folders as one table.
//!
//! With several folders the first column is the name of each row's folder. The columns of the first folder follow in
//! their order, then those that only later folders have; a row of a folder without a column is n/a there. One folder's
//! table is left as it is.

use super::error::StackError;
use super::folders::{Folders, RESULTS_COLUMN};
use crate::results::CohortTable;
use crate::tables::TextRow;

/// The cohort tables as one.
#[derive(Debug)]
pub(crate) struct Cohort {
    tables: Vec<CohortTable>,
    names: Vec<String>,
    header: Vec<String>,
    /// For each table, where each column of the header is in it.
    places: Vec<Vec<Place>>,
}

/// Where a column's cell comes from.
#[derive(Debug, Clone, Copy)]
enum Place {
    /// The name of the folder.
    Name,
    Column(usize),
    /// The table has no such column.
    Absent,
}

/// A column of a folder's table that is called like ours is taken to come from the participants table.
const THEIR_RESULTS: &str = "participants_results";

impl Cohort {
    pub(crate) fn open(folders: &Folders) -> Result<Self, StackError> {
        let tables: Vec<CohortTable> =
            folders.paths().iter().map(|path| CohortTable::open(path)).collect::<Result<_, _>>()?;
        let names = folders.names().to_vec();
        if names.is_empty() {
            let header = tables.iter().flat_map(|table| table.header()).cloned().collect();
            return Ok(Self { tables, names, header, places: Vec::new() });
        }
        let mut header = vec![RESULTS_COLUMN.to_owned()];
        let renamed: Vec<Vec<&str>> = tables.iter().map(|table| table.header().iter().map(renamed).collect()).collect();
        for name in renamed.iter().flatten() {
            if !header.iter().any(|known| known == name) {
                header.push((*name).to_owned());
            }
        }
        let place = |own: &[&str], name: &str| match own.iter().position(|known| *known == name) {
            _ if name == RESULTS_COLUMN => Place::Name,
            Some(at) => Place::Column(at),
            None => Place::Absent,
        };
        let places = renamed.iter().map(|own| header.iter().map(|name| place(own, name)).collect()).collect();
        Ok(Self { tables, names, header, places })
    }

    pub(crate) fn tables(&self) -> &[CohortTable] {
        &self.tables
    }

    pub(crate) fn header(&self) -> &[String] {
        &self.header
    }

    /// A row's cells, one for each column of [`Self::header`].
    pub(crate) fn cells(&self, table: usize, row: &TextRow) -> Vec<String> {
        let Some(places) = self.places.get(table) else { return row.cells.clone() };
        let cell = |place: &Place| match *place {
            Place::Name => self.names[table].clone(),
            Place::Column(at) => row.cells[at].clone(),
            Place::Absent => "n/a".to_owned(),
        };
        places.iter().map(cell).collect()
    }
}

fn renamed(name: &String) -> &str {
    if name == RESULTS_COLUMN { THEIR_RESULTS } else { name }
}
