//! The server of `keepstill review`: the pages of a results folder, with the means to decide, on one address.
//!
//! It listens on loopback unless asked otherwise. It answers only its own pages, in a browser that came with the access
//! token ([`guard`]): it refuses a page of another site, even of one whose name was made to point here. For each
//! request it reads a page file from the results folder, takes out the data, removes what blinding hides, and renders
//! the page again ([`cohort`], [`routes`]). A decision is confirmed only when it is on disk; the cohort table follows a
//! little later ([`keeper`]).

mod answer;
mod cohort;
mod error;
mod guard;
mod keeper;
mod routes;
mod secret;
mod shared;
mod told;

use std::collections::HashSet;
use std::future::{IntoFuture, poll_fn};
use std::io;
use std::net::{IpAddr, SocketAddr, TcpListener};
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::task::Poll;
use std::time::Duration;

use axum::Router;
use tokio::signal::unix::{SignalKind, signal};

use super::decisions;
use super::reasons;
use cohort::CohortCache;
use guard::Guard;
use keeper::Keeper;
use shared::Shared;

pub use error::ServeError;
pub use keeper::Tell;

/// How long requests may still take that are under way when the server is stopped (own choice).
const GRACE: Duration = Duration::from_secs(3);

/// Where to serve what.
#[derive(Debug, Clone)]
pub struct Options {
    pub results: PathBuf,
    pub address: IpAddr,
    /// 0: any that is free.
    pub port: u16,
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
        // No slash at the end and none twice, since this path is removed from messages as it stands in them.
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

    /// What to open in a browser of this machine. It is good once, and for two minutes, so other users may be able to
    /// read it, as they can read the arguments of a program.
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

    /// Whether there are results, but no child has a page to look at.
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
