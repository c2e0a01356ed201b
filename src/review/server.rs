//! The server of `keepstill review`: the pages of a results folder, with the means to decide, on one address.
//!
//! It listens on loopback unless asked otherwise, and answers nobody but the pages that it serves, in a browser that came
//! with the access token ([`guard`]): a page of another site, also one whose name was made to point here, is refused. A page file is read from the results folder, its
//! data taken out, what blinding hides taken away, and the page rendered again ([`cohort`], [`routes`]). A decision is
//! confirmed only when it is on disk; the cohort table follows a little later ([`keeper`]).

mod answer;
mod cohort;
mod guard;
mod keeper;
mod routes;
mod secret;

use std::collections::HashSet;
use std::future::{IntoFuture, poll_fn};
use std::io;
use std::net::{IpAddr, SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard};
use std::task::Poll;
use std::time::Duration;

use axum::Router;
use tokio::signal::unix::{SignalKind, signal};

use super::decisions;
use super::folder::FolderError;
use super::ledger::LedgerError;
use super::reasons::{self, ReasonsError};
use crate::event::Event;
use crate::pages::PageError;
use cohort::CohortCache;
use guard::Guard;
use keeper::Keeper;

/// How long requests that are under way when the server is stopped may take (own choice).
const GRACE: Duration = Duration::from_secs(3);

/// Where to serve what.
#[derive(Debug, Clone)]
pub struct Options {
    pub results: PathBuf,
    pub address: IpAddr,
    /// 0: any that is free.
    pub port: u16,
}

/// Listens to what the server tells.
pub type Tell = Arc<dyn Fn(&Event) + Send + Sync>;

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

/// Everything that requests share.
struct Shared {
    results: PathBuf,
    guard: Guard,
    /// Writes must carry it; only pages of ours know it.
    token: String,
    cohort: CohortCache,
    /// One writes at a time.
    writer: Mutex<()>,
    /// Of pages that show what blinding hides.
    keys: Mutex<HashSet<String>>,
    keeper: Keeper,
}

impl Shared {
    fn write(&self) -> MutexGuard<'_, ()> {
        self.writer.lock().unwrap_or_else(|e| e.into_inner())
    }

    fn keys(&self) -> MutexGuard<'_, HashSet<String>> {
        self.keys.lock().unwrap_or_else(|e| e.into_inner())
    }
}

/// A server that listens and is not yet at work.
pub struct Server {
    listener: TcpListener,
    at: SocketAddr,
    shared: Arc<Shared>,
    study: String,
    children: usize,
    lacks_pages: bool,
}

impl Server {
    /// Looks at the results folder, makes the review's folder, and listens.
    ///
    /// # Errors
    /// [`ServeError`].
    pub fn open(options: &Options, tell: Tell) -> Result<Self, ServeError> {
        // No slash at the end, none twice: messages are cleared of this path as it stands in them.
        let results: PathBuf = options.results.components().collect();
        let cache = CohortCache::new(&results);
        let cohort = cache.get()?;
        decisions::read(&results)?;
        let wanted = SocketAddr::new(options.address, options.port);
        let refused = |source: io::Error| match source.kind() {
            io::ErrorKind::AddrInUse => ServeError::PortTaken { address: wanted },
            _ => ServeError::Bind { address: wanted, source },
        };
        let listener = TcpListener::bind(wanted).map_err(refused)?;
        let at = listener.local_addr().map_err(refused)?;
        reasons::make(&results)?;
        let random = |source| ServeError::Random { source };
        let shared = Arc::new(Shared {
            guard: Guard::new(at, secret::new().map_err(random)?),
            token: secret::new().map_err(random)?,
            cohort: cache,
            writer: Mutex::new(()),
            keys: Mutex::new(HashSet::new()),
            keeper: Keeper::start(&results, tell).map_err(|source| ServeError::Start { source })?,
            results,
        });
        let mut with_results = cohort.data.rows.iter().filter(|row| !row.results_digest.is_empty()).peekable();
        let lacks_pages = with_results.peek().is_some() && with_results.all(|row| row.page.is_none());
        let (study, children) = (cohort.data.study.clone(), cohort.subjects.len());
        Ok(Self { listener, at, shared, study, children, lacks_pages })
    }

    /// What to open in a browser; it holds the access token, which each request must bring.
    #[must_use]
    pub fn url(&self) -> String {
        self.shared.guard.url()
    }

    /// What to open in a browser of this machine: good once, and for two minutes, so that it may stand where other users
    /// can read it, as in the arguments of a program.
    ///
    /// # Errors
    /// [`ServeError::Random`].
    pub fn url_for_one_use(&self) -> Result<String, ServeError> {
        let code = secret::new().map_err(|source| ServeError::Random { source })?;
        Ok(self.shared.guard.url_for_one_use(code))
    }

    /// Where it listens.
    #[must_use]
    pub fn address(&self) -> SocketAddr {
        self.at
    }

    /// Whether other machines can reach it.
    #[must_use]
    pub fn is_open_to_others(&self) -> bool {
        !self.at.ip().to_canonical().is_loopback()
    }

    /// The study's name.
    #[must_use]
    pub fn study(&self) -> &str {
        &self.study
    }

    /// Rows of the cohort.
    #[must_use]
    pub fn children(&self) -> usize {
        self.children
    }

    /// Whether there are results, and no child's has a page to look at.
    #[must_use]
    pub fn lacks_pages(&self) -> bool {
        self.lacks_pages
    }

    /// Where decisions are written.
    #[must_use]
    pub fn decisions(&self) -> PathBuf {
        decisions::path(&self.shared.results)
    }

    /// Serves until Ctrl-C or a request to end (SIGTERM), then finishes what is under way.
    ///
    /// # Errors
    /// When the server cannot be started.
    pub fn run(self) -> Result<(), ServeError> {
        let fail = |source| ServeError::Start { source };
        let runtime =
            tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().map_err(fail)?;
        let (listener, shared) = (self.listener, Arc::clone(&self.shared));
        runtime.block_on(async move {
            let mut interrupted = signal(SignalKind::interrupt()).map_err(fail)?;
            let mut ended = signal(SignalKind::terminate()).map_err(fail)?;
            listener.set_nonblocking(true).map_err(fail)?;
            let listener = tokio::net::TcpListener::from_std(listener).map_err(fail)?;
            let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
            let app = Router::new().fallback(routes::handle).with_state(shared);
            let serving = axum::serve(listener, app).with_graceful_shutdown(async move {
                let _ = stopped.await;
            });
            let serving = tokio::spawn(serving.into_future());
            poll_fn(|context| match (interrupted.poll_recv(context), ended.poll_recv(context)) {
                (Poll::Pending, Poll::Pending) => Poll::Pending,
                _ => Poll::Ready(()),
            })
            .await;
            let _ = stop.send(());
            // A connection that never ends must not keep the server.
            let _ = tokio::time::timeout(GRACE, serving).await;
            Ok::<(), ServeError>(())
        })?;
        runtime.shutdown_timeout(GRACE);
        self.shared.keeper.finish();
        Ok(())
    }
}

/// A message with files' names as users know them: relative to the results folder, however its path is written.
fn told(results: &Path, message: &str) -> String {
    let mut message = message.to_owned();
    let canonical = results.canonicalize().ok();
    // The longer first: one may begin with the other.
    let mut forms: Vec<String> =
        [Some(results), canonical.as_deref()].into_iter().flatten().map(|form| form.display().to_string()).collect();
    forms.sort_by_key(|form| std::cmp::Reverse(form.len()));
    for form in forms {
        message = without(&message, &form);
    }
    message
}

/// Takes a folder's path off the paths that begin with it. Alone it is told by its role, unless it is relative: such a
/// name may be a plain word, and tells nothing.
fn without(message: &str, folder: &str) -> String {
    if folder.trim_matches('/').is_empty() {
        return message.to_owned();
    }
    let begins = |before: &str| !before.ends_with(|c: char| c.is_alphanumeric() || "/.-_~".contains(c));
    let mut text = String::with_capacity(message.len());
    let mut rest = message;
    while let Some(at) = rest.find(folder) {
        let (before, after) = (&rest[..at], &rest[at + folder.len()..]);
        text += before;
        // What stands before it may have been told already.
        if !begins(if before.is_empty() { &text } else { before }) {
            text += folder;
        } else if let Some(inside) = after.strip_prefix('/') {
            rest = inside.trim_start_matches('/');
            continue;
        } else if folder.starts_with('/') && !after.starts_with(|c: char| c.is_alphanumeric() || "-_~".contains(c)) {
            text += "the results folder";
        } else {
            text += folder;
        }
        rest = after;
    }
    text + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn messages_tell_no_absolute_path_of_the_results() {
        let base = tempfile::tempdir().unwrap();
        let real = base.path().canonicalize().unwrap().join("a-study/results");
        std::fs::create_dir_all(&real).unwrap();
        let link = real.parent().unwrap().parent().unwrap().join("a-link");
        std::os::unix::fs::symlink(&real, &link).unwrap();
        let (real_name, link_name) = (real.display().to_string(), link.display().to_string());
        for (message, expected) in [
            (format!("{link_name}/review/a.tsv: no"), "review/a.tsv: no".to_owned()),
            (format!("{real_name}/review/a.tsv: no, nor {link_name}//b"), "review/a.tsv: no, nor b".to_owned()),
            (format!("{link_name}: cannot write"), "the results folder: cannot write".to_owned()),
            (format!("{link_name}-old/b"), format!("{link_name}-old/b")),
        ] {
            assert_eq!(told(&link, &message), expected);
        }
        let relative = "results/a: the results of sub-01 have changed, ../results/b";
        assert_eq!(told(Path::new("results"), relative), "a: the results of sub-01 have changed, ../results/b");
        assert_eq!(told(Path::new("/"), "/a: no"), "/a: no");
    }
}
