//! News for open pages, as server-sent events (WHATWG HTML, section 9.2).

use std::convert::Infallible;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::extract::State;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use tokio::sync::broadcast::error::RecvError;

use super::app::App;

/// A line now and then keeps what lies between from giving up.
const PULSE: Duration = Duration::from_secs(15);

pub(super) async fn events(State(app): State<Arc<App>>) -> Response {
    let mut news = app.listen();
    let stream = Stream::new(move |out| async move {
        loop {
            let piece = tokio::select! {
                event = news.recv() => match event {
                    Ok(event) => format!("data: {}\n\n", serde_json::to_string(&event).unwrap_or_default()),
                    // A page that slept through news is told to look for itself.
                    Err(RecvError::Lagged(_)) => "event: missed\ndata: {}\n\n".to_owned(),
                    Err(RecvError::Closed) => return,
                },
                () = tokio::time::sleep(PULSE) => ":\n\n".to_owned(),
            };
            if out.send(Ok(Bytes::from(piece))).await.is_err() {
                return;
            }
        }
    });
    ([(CONTENT_TYPE, "text/event-stream")], stream.body()).into_response()
}

/// A body that grows while it is read.
struct Stream(tokio::sync::mpsc::Receiver<Result<Bytes, Infallible>>);

impl Stream {
    fn new<F: Future<Output = ()> + Send + 'static>(
        write: impl FnOnce(tokio::sync::mpsc::Sender<Result<Bytes, Infallible>>) -> F,
    ) -> Self {
        let (out, body) = tokio::sync::mpsc::channel(8);
        tokio::spawn(write(out));
        Self(body)
    }

    fn body(self) -> Body {
        Body::from_stream(self)
    }
}

impl futures_core::Stream for Stream {
    type Item = Result<Bytes, Infallible>;
    fn poll_next(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<Option<Self::Item>> {
        self.0.poll_recv(context)
    }
}
