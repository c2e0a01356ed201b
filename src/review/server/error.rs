//! Why there is nothing to serve.

use std::io;
use std::net::SocketAddr;
use std::path::PathBuf;

use crate::pages::PageError;
use crate::review::folder::FolderError;
use crate::review::ledger::LedgerError;
use crate::review::reasons::ReasonsError;

/// Why there is nothing to serve.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    #[error(transparent)]
    Folder(#[from] FolderError),
    #[error("{}: {source}", path.display())]
    Page { path: PathBuf, source: PageError },
    #[error(transparent)]
    Reasons(#[from] ReasonsError),
    #[error(transparent)]
    Decisions(#[from] LedgerError),
    #[error("{address}: the port is taken by another program; give another --port, or none for any that is free")]
    PortTaken { address: SocketAddr },
    #[error("{address}: cannot listen there: {source}; give an address of this machine, and a port that you may use")]
    Bind { address: SocketAddr, source: io::Error },
    #[error("the system gives no random bytes ({source}), without which nobody could be told apart")]
    Random { source: io::Error },
    #[error("the server cannot be started: {source}")]
    Start { source: io::Error },
}
