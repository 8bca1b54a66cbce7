//! A web server and a mail server for tests: they take everything, unless told to refuse.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex};

use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;

/// A server on a port of its own, with the answers it is to give first.
pub struct Sink {
    pub port: u16,
    /// Answers to give before the usual one, in order.
    pub answers: Answers,
    /// What was taken or refused, each as it came.
    pub came: mpsc::UnboundedReceiver<Came>,
    task: tokio::task::JoinHandle<()>,
}

pub type Answers = Arc<Mutex<VecDeque<String>>>;

#[derive(Debug, PartialEq)]
pub struct Came {
    /// Request line and headers, or the commands of the conversation.
    pub head: String,
    pub body: String,
}

impl Drop for Sink {
    fn drop(&mut self) {
        self.task.abort();
    }
}

/// A port nobody listens on.
pub async fn free_port() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    listener.local_addr().unwrap().port()
}

/// Answers are whole status lines and more ("503 Busy"); the usual one is "200 OK".
pub async fn http(port: u16) -> Sink {
    sink(port, |stream, answers, came| async move {
        let mut stream = BufReader::new(stream);
        let mut head = String::new();
        while !head.ends_with("\r\n\r\n") {
            if stream.read_line(&mut head).await? == 0 {
                return Ok(());
            }
        }
        let length = head
            .lines()
            .find_map(|l| {
                l.to_ascii_lowercase()
                    .strip_prefix("content-length:")
                    .map(str::to_owned)
            })
            .map_or(0, |n| n.trim().parse().unwrap());
        let mut body = vec![0; length];
        stream.read_exact(&mut body).await?;
        let answer = next(&answers, "200 OK");
        let answer = format!("HTTP/1.1 {answer}\r\nContent-Length: 0\r\nConnection: close\r\n\r\n");
        stream.write_all(answer.as_bytes()).await?;
        stream.flush().await?;
        let body = String::from_utf8(body).unwrap();
        came.send(Came { head, body }).unwrap();
        Ok(())
    })
    .await
}

/// Answers are to the mail itself ("451 later"); the usual one is "250 taken".
pub async fn smtp(port: u16) -> Sink {
    sink(port, |stream, answers, came| async move {
        let mut stream = BufReader::new(stream);
        stream.write_all(b"220 sink\r\n").await?;
        let mut head = String::new();
        loop {
            let mut line = String::new();
            if stream.read_line(&mut line).await? == 0 {
                return Ok(());
            }
            head.push_str(&line);
            let word = line.get(..4).unwrap_or("").to_ascii_uppercase();
            let answer = match word.as_str() {
                "EHLO" => "250-sink\r\n250-AUTH PLAIN\r\n250 8BITMIME",
                "AUTH" => "235 you are known",
                "DATA" => "354 go on",
                "QUIT" => "221 bye",
                _ => "250 ok",
            };
            stream.write_all(format!("{answer}\r\n").as_bytes()).await?;
            if word == "QUIT" {
                return Ok(());
            }
            if word == "DATA" {
                let mut body = String::new();
                while !body.ends_with("\r\n.\r\n") {
                    stream.read_line(&mut body).await?;
                }
                let answer = next(&answers, "250 taken");
                stream.write_all(format!("{answer}\r\n").as_bytes()).await?;
                let head = std::mem::take(&mut head);
                came.send(Came { head, body }).unwrap();
            }
        }
    })
    .await
}

fn next(answers: &Answers, usual: &str) -> String {
    let next = answers.lock().unwrap().pop_front();
    next.unwrap_or_else(|| usual.to_owned())
}

async fn sink<F, Fut>(port: u16, serve: F) -> Sink
where
    F: Fn(TcpStream, Answers, mpsc::UnboundedSender<Came>) -> Fut + Send + 'static,
    Fut: Future<Output = std::io::Result<()>> + Send + 'static,
{
    let listener = TcpListener::bind(("127.0.0.1", port)).await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let answers = Answers::default();
    let (send, came) = mpsc::unbounded_channel();
    let given = Arc::clone(&answers);
    let task = tokio::spawn(async move {
        loop {
            let (stream, _) = listener.accept().await.unwrap();
            tokio::spawn(serve(stream, Arc::clone(&given), send.clone()));
        }
    });
    Sink {
        port,
        answers,
        came,
        task,
    }
}

impl Sink {
    pub fn answer(&self, with: &[&str]) {
        let mut answers = self.answers.lock().unwrap();
        answers.extend(with.iter().map(|a| (*a).to_owned()));
    }
}
