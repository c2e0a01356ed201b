//! Why results folders cannot be stacked together, or the stack not be written where it was asked for.

use std::path::PathBuf;

/// Why results folders cannot be stacked together, or the stack not be written where it was asked for.
#[derive(Debug, thiserror::Error)]
pub enum FoldersError {
    #[error("{option}: there is only one results folder, in which there is nothing to tell apart; leave it out")]
    OnlyOne { option: &'static str },
    #[error("{folders} results folders have no one place for their stack; say where to write it, as in --out together")]
    NoOut { folders: usize },
    #[error("{} and {}: these are one folder, and its children would be in the stack twice; give each results folder \
             once", one.display(), other.display())]
    Twice { one: PathBuf, other: PathBuf },
    #[error("{} and {}: both folders are called \"{name}\", so the column results would not tell them apart; give each \
             a name, in this order, as in --names one,other", one.display(), other.display())]
    SameName { name: String, one: PathBuf, other: PathBuf },
    #[error("--names: {names} names, expected {folders}, one for each results folder in their order")]
    NamesCount { names: usize, folders: usize },
    #[error(
        "{name:?} cannot be the name of a results folder in a table; give other names, one for each folder in \
             their order, as in --names one,other"
    )]
    Name { name: String },
    #[error("{id}{} in {one} and in {other}, and may be one child or two; say --same-id one-child if an id means the \
             same child in all folders, or --same-id two-children if it does not, and all ids get the name of their \
             folder in front",
        if *others == 0 { " is".to_owned() } else { format!(" and {others} more are") })]
    SharedId { id: String, others: usize, one: String, other: String },
    #[error("{}: there is no such matrix, but {like} has one; results folders are stacked together only if all have the \
             same atlases and measures, so give their studies the same parcels and connectivity.measures, and do \
             `keepstill run` again", path.display())]
    Unlike { path: PathBuf, like: String },
    #[error("--out {}: this is a results folder, whose own files must not be mixed with a stack's; give a folder inside \
             it, such as {}", out.display(), out.join("stack").display())]
    OutIsResults { out: PathBuf },
    #[error("--out {}: {name} is in this folder and is no file of a stack; give a new folder, or one that holds an \
             earlier stack", out.display())]
    OutHolds { out: PathBuf, name: String },
}
