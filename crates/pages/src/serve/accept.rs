//! Connections: so many at a time, each with so long to ask and so long to take its answer. Whoever only holds the line
//! gives way to whoever asks.

use std::collections::BTreeMap;
use std::future::Future;
use std::io;
use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll, ready};
use std::time::Duration;

use axum::Router;
use axum::extract::Request;
use axum::http::{Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use hyper::server::conn::http1;
use hyper::service::{Service, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpListener;
use tokio::sync::Notify;
use tokio::time::{Sleep, sleep, timeout};

use super::hints::STROKES_BYTES;
use super::reply::Failed;
use super::words;

/// Connections at a time on one address: a browser opens six.
const MOST: usize = 128;
/// A request's head must be there within this; a connection without one is closed.
const HEAD_WITHIN: Duration = Duration::from_secs(10);
/// So must the whole of a body that is no frame.
const BODY_WITHIN: Duration = Duration::from_secs(10);
/// An answer that nobody takes is given up after this.
const TAKEN_WITHIN: Duration = Duration::from_secs(60);
/// After the system refused a connection, for want of file descriptors say.
const BREATH: Duration = Duration::from_millis(100);

/// Answers on one address until the program ends.
pub(super) async fn serve(listener: TcpListener, routes: Router) -> io::Result<()> {
    let crowd = Arc::new(Crowd::default());
    loop {
        match listener.accept().await {
            Ok((stream, _)) => {
                if let Some(place) = Crowd::enter(&crowd) {
                    tokio::spawn(one(stream, place, routes.clone()));
                }
            }
            // One that was broken off before it was taken, or none left: either passes.
            Err(_) => sleep(BREATH).await,
        }
    }
}

async fn one<S>(stream: S, place: Arc<Place>, routes: Router)
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let inner = TowerToHyperService::new(routes);
    let seat = Arc::clone(&place);
    let service = service_fn(move |request| {
        seat.set(State::Busy);
        let (seat, answer) = (Arc::clone(&seat), inner.call(request));
        async move {
            let answer = answer.await;
            seat.set(State::Idle);
            answer
        }
    });
    let mut http = http1::Builder::new();
    http.timer(TokioTimer::new()).header_read_timeout(HEAD_WITHIN);
    let connection = http.serve_connection(TokioIo::new(Paced::new(stream)), service);
    tokio::select! {
        // How a connection ends concerns nobody here.
        _ = connection => {}
        () = place.leave.notified() => {}
    }
}

/// The connections of one address.
#[derive(Default)]
struct Crowd(Mutex<Seats>);

#[derive(Default)]
struct Seats {
    next: u64,
    /// In the order they came.
    all: BTreeMap<u64, Seat>,
}

struct Seat {
    state: State,
    leave: Arc<Notify>,
}

/// What a connection does; who comes first here gives way first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum State {
    /// It has not asked anything.
    Silent,
    /// It was answered, or takes the answer.
    Idle,
    /// An answer is being made.
    Busy,
}

impl Crowd {
    fn seats(&self) -> MutexGuard<'_, Seats> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A place for one more; where all are taken, that of the longest silent one, else of the longest idle one. `None`
    /// where all are being answered.
    fn enter(crowd: &Arc<Self>) -> Option<Arc<Place>> {
        let mut seats = crowd.seats();
        if seats.all.len() >= MOST {
            let (&number, seat) = seats.all.iter().min_by_key(|(n, s)| (s.state, **n))?;
            if seat.state == State::Busy {
                return None;
            }
            seat.leave.notify_one();
            seats.all.remove(&number);
        }
        let number = seats.next;
        seats.next += 1;
        let leave = Arc::new(Notify::new());
        let seat = Seat {
            state: State::Silent,
            leave: Arc::clone(&leave),
        };
        seats.all.insert(number, seat);
        Some(Arc::new(Place {
            crowd: Arc::clone(crowd),
            number,
            leave,
        }))
    }
}

/// One connection's place; free when it is dropped.
struct Place {
    crowd: Arc<Crowd>,
    number: u64,
    leave: Arc<Notify>,
}

impl Place {
    fn set(&self, state: State) {
        if let Some(seat) = self.crowd.seats().all.get_mut(&self.number) {
            seat.state = state;
        }
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        self.crowd.seats().all.remove(&self.number);
    }
}

/// A stream whose writes do not wait for ever.
struct Paced<S> {
    stream: S,
    waiting: Option<Pin<Box<Sleep>>>,
}

impl<S> Paced<S> {
    fn new(stream: S) -> Self {
        Self {
            stream,
            waiting: None,
        }
    }

    /// Passes on what a write came to; one that waits too long fails.
    fn paced<T>(&mut self, context: &mut Context<'_>, came: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if came.is_ready() {
            self.waiting = None;
            return came;
        }
        let waiting = self.waiting.get_or_insert_with(|| Box::pin(sleep(TAKEN_WITHIN)));
        ready!(waiting.as_mut().poll(context));
        Poll::Ready(Err(io::ErrorKind::TimedOut.into()))
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Paced<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(context, buffer)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Paced<S> {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let came = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.paced(context, came)
    }
    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        pieces: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let came = Pin::new(&mut self.stream).poll_write_vectored(context, pieces);
        self.paced(context, came)
    }
    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }
    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }
    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}

/// Takes the body of a request in before it is answered, whole and in time; frames alone come piece by piece.
pub(super) async fn whole_body(request: Request, next: Next) -> Response {
    let bare = matches!(*request.method(), Method::GET | Method::HEAD);
    if bare || request.uri().path() == super::FRAMES_COME {
        return next.run(request).await;
    }
    let (parts, body) = request.into_parts();
    match timeout(BODY_WITHIN, axum::body::to_bytes(body, STROKES_BYTES)).await {
        Ok(Ok(bytes)) => next.run(Request::from_parts(parts, bytes.into())).await,
        Ok(Err(_)) => Failed(StatusCode::PAYLOAD_TOO_LARGE, words::ASKED_IN_PART.into()).into_response(),
        Err(_) => Failed(StatusCode::REQUEST_TIMEOUT, words::ASKED_IN_PART.into()).into_response(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn who_asks_gets_the_place_of_who_only_holds_it() {
        let crowd = Arc::new(Crowd::default());
        let mut places: Vec<_> = (0..MOST).filter_map(|_| Crowd::enter(&crowd)).collect();
        assert_eq!(places.len(), MOST);
        let state = |n: usize| crowd.seats().all.get(&(n as u64)).map(|s| s.state);
        places[0].set(State::Busy);
        places[1].set(State::Idle);
        // The longest silent one goes first, one in between next.
        let other = Crowd::enter(&crowd);
        assert!(other.is_some() && state(2).is_none() && state(0) == Some(State::Busy));
        places
            .iter()
            .skip(2)
            .chain(&other)
            .for_each(|p| p.set(State::Busy));
        let idle_one_gives_way = Crowd::enter(&crowd);
        assert!(idle_one_gives_way.is_some() && state(1).is_none());
        idle_one_gives_way.iter().for_each(|p| p.set(State::Busy));
        assert!(
            Crowd::enter(&crowd).is_none(),
            "nobody is broken off in an answer"
        );
        // Place 2 was put out: its end frees nobody else's.
        places.truncate(3);
        assert_eq!(crowd.seats().all.len(), 1 + 1 + 1);
    }
}
