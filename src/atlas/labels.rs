//! The labels table: `index`, `name`, and optionally `network` and `hemisphere`; one row per parcel.

use std::collections::HashSet;
use std::path::Path;

use super::error::AtlasError;
use crate::tables;

/// One parcel's names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Parcel {
    pub index: i64,
    pub name: String,
    pub network: Option<String>,
    pub hemisphere: Option<String>,
}

/// Reads the rows, and the bytes they were read from (for the content hash).
pub(super) fn read(path: &Path) -> Result<(Vec<Parcel>, Vec<u8>), AtlasError> {
    let table = tables::read_tsv(path)?;
    let find = |column| table.column(column).ok_or_else(|| AtlasError::NoColumn { path: path.to_owned(), column });
    let (index, name) = (find("index")?, find("name")?);
    let (network, hemisphere) = (table.column("network"), table.column("hemisphere"));
    let mut parcels: Vec<Parcel> = Vec::with_capacity(table.rows.len());
    let (mut indices, mut names) = (HashSet::new(), HashSet::new());
    for row in &table.rows {
        let line = row.line;
        let text = |column: Option<usize>| column.map(|c| row.cells[c].clone()).filter(|cell| !tables::missing(cell));
        let found = &row.cells[index];
        let index = found.parse::<i64>().ok().filter(|i| *i > 0).ok_or_else(|| AtlasError::BadIndex {
            path: path.to_owned(),
            line,
            found: found.clone(),
        })?;
        let name = text(Some(name)).ok_or_else(|| AtlasError::NoName { path: path.to_owned(), line })?;
        let twice = |what, value| AtlasError::Twice { path: path.to_owned(), line, what, value };
        if !indices.insert(index) {
            return Err(twice("the index", index.to_string()));
        }
        if !names.insert(name.clone()) {
            return Err(twice("the name", name));
        }
        parcels.push(Parcel { index, name, network: text(network), hemisphere: text(hemisphere) });
    }
    let bytes = parcels
        .iter()
        .flat_map(|p| {
            let [network, hemisphere] = [&p.network, &p.hemisphere].map(|t| t.as_deref().unwrap_or("n/a"));
            format!("{}\t{}\t{network}\t{hemisphere}\n", p.index, p.name).into_bytes()
        })
        .collect();
    Ok((parcels, bytes))
}

/// A parcel that no table names.
pub(super) fn unnamed(index: i64) -> Parcel {
    Parcel { index, name: format!("parcel{index}"), network: None, hemisphere: None }
}
