//! Why results folders cannot be stacked together, or the stack not be written where it was asked for.

use std::path::PathBuf;

/// Why results folders cannot be stacked together, or the stack not be written where it was asked for.
#[derive(Debug, thiserror::Error)]
pub enum FoldersError {
    #[error("{option}: this is for several results folders, and only one is given; leave {option} out")]
    OnlyOne { option: &'static str },
    #[error(
        "a stack of {folders} results folders has no folder of its own; say where to write it, as in --out together"
    )]
    NoOut { folders: usize },
    #[error("{} and {}: these are one folder, and its children would be in the stack twice; give each results folder \
             once", one.display(), other.display())]
    Twice { one: PathBuf, other: PathBuf },
    #[error("{} and {}: both folders are called \"{name}\", so the column results would not tell them apart; give each \
             a name, in the order of the folders, as in --names one,other", one.display(), other.display())]
    SameName { name: String, one: PathBuf, other: PathBuf },
    #[error("--names: {names} {}, expected {folders}, one for each results folder, in the order of the folders",
        if *names == 1 { "name" } else { "names" })]
    NamesCount { names: usize, folders: usize },
    #[error(
        "\"{name}\" cannot be the name of a results folder in a table; give each a name without blanks around it \
             and without /, in the order of the folders, as in --names one,other"
    )]
    Name { name: String },
    #[error("participant_id {id}{} is in {one} and in {other}, and nothing says whether it is one child or two; give \
             --same-id one-child if equal ids mean the same child, or --same-id two-children if they do not, so that \
             each id gets the name of its folder in front",
        if *others == 0 { String::new() } else { format!(" (and {others} more)") })]
    SharedId { id: String, others: usize, one: String, other: String },
    #[error("{}: there is no such matrix, but {like} has one; results folders are stacked together only if all have \
             the same atlases and measures, so give their studies the same parcels and connectivity.measures, and do \
             `keepstill run` again", path.display())]
    Unlike { path: PathBuf, like: String },
    #[error("--out {}: this is a results folder, whose own files must not be mixed with a stack's; give a folder \
             inside it, such as {}", out.display(), out.join("stack").display())]
    OutIsResults { out: PathBuf },
    #[error("--out {}: {name} is in this folder and is no file of a stack; give a new folder, or one that holds an \
             earlier stack", out.display())]
    OutHolds { out: PathBuf, name: String },
}
