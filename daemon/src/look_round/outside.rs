//! Brokers, the mail server, addresses that are called: each is reached as it would be in earnest,
//! all at the same time.

use std::io::ErrorKind;
use std::time::Duration;

use ebbmark_core::look_round::{Errand, To, Trouble};
use tokio::net::{TcpStream, lookup_host};
use tokio::task::JoinSet;
use tokio::time::timeout;

use crate::config::Config;
use crate::heartbeat::Heartbeat;
use crate::mqtt::broker::{self, BrokerConfig, NotTaken};
use crate::notify::{Mail, NotReached, Webhook, target};

/// For the name and the connection, and for what is said over it.
const CONNECT: Duration = Duration::from_secs(6);
const SPEAK: Duration = Duration::from_secs(10);

type Outcome = Result<(), (Trouble, String)>;

pub async fn all(config: &Config) -> Vec<Errand> {
    let mut under_way = JoinSet::new();
    let mut number = 0;
    let mut start = |to, name: String, host: String, port: u16, speak| {
        under_way.spawn(async move { (number, errand(to, name, host, port, speak).await) });
        number += 1;
    };
    for broker in &config.broker {
        let speak = Speak::Broker(Box::new(broker.clone()));
        start(
            To::Broker,
            broker.name.clone(),
            broker.host.clone(),
            broker.port(),
            speak,
        );
    }
    if let Some(mail) = &config.notify.mail {
        let speak = Mail::new(mail).map_or_else(Speak::Not, |m| Speak::Mail(Box::new(m)));
        start(
            To::Mail,
            String::new(),
            mail.host.clone(),
            mail.port(),
            speak,
        );
    }
    for (name, hook) in &config.notify.webhook {
        let (host, port) = called(&hook.url);
        let speak = Webhook::new(hook).map_or_else(Speak::Not, |_| Speak::No);
        start(To::Call, name.clone(), host, port, speak);
    }
    if let Some(heartbeat) = &config.heartbeat {
        let (host, port) = called(&heartbeat.url);
        // A beat would say that the daemon lives.
        let speak =
            Heartbeat::new(heartbeat).map_or_else(|e| Speak::Not(e.to_string()), |_| Speak::No);
        start(To::Heartbeat, String::new(), host, port, speak);
    }
    let mut done = under_way.join_all().await;
    done.sort_by_key(|(number, _)| *number);
    done.into_iter().map(|(_, errand)| errand).collect()
}

/// Host and port of an address that the configuration's check has passed.
fn called(url: &str) -> (String, u16) {
    target(url).unwrap_or_default()
}

/// What is said once connected.
enum Speak {
    Broker(Box<BrokerConfig>),
    Mail(Box<Mail>),
    /// Nothing: a call cannot be tried without being made.
    No,
    /// It is not set up right.
    Not(String),
}

async fn errand(to: To, name: String, host: String, port: u16, speak: Speak) -> Errand {
    let outcome = match speak {
        Speak::Not(why) => Err((Trouble::Setup, why)),
        speak => match connect(&host, port).await {
            Ok(()) => converse(speak).await,
            failed => failed,
        },
    };
    Errand {
        to,
        name,
        address: format!("{host}:{port}"),
        outcome,
    }
}

/// By hand first: of what goes wrong here the libraries' words say less.
async fn connect(host: &str, port: u16) -> Outcome {
    let silent = || {
        (
            Trouble::Silent,
            format!("no answer within {} s", CONNECT.as_secs()),
        )
    };
    let found = timeout(CONNECT, lookup_host((host, port)))
        .await
        .map_err(|_| {
            (
                Trouble::Unknown,
                "the name server does not answer".to_owned(),
            )
        })?
        .map_err(|_| (Trouble::Unknown, "nobody knows this name".to_owned()))?;
    let try_each = async {
        let mut last = (Trouble::Unknown, "nobody knows this name".to_owned());
        for address in found {
            match TcpStream::connect(address).await {
                Ok(_) => return Ok(()),
                Err(e) if e.kind() == ErrorKind::ConnectionRefused => {
                    last = (Trouble::Refused, "nobody listens there".to_owned());
                }
                Err(e) => last = (Trouble::Silent, e.to_string()),
            }
        }
        Err(last)
    };
    timeout(CONNECT, try_each).await.map_err(|_| silent())?
}

async fn converse(speak: Speak) -> Outcome {
    let said = async {
        match speak {
            Speak::Broker(config) => broker::probe(&config).await.map_err(|e| {
                let trouble = match &e {
                    NotTaken::Setup(_) => Trouble::Setup,
                    NotTaken::Login(_) => Trouble::Login,
                    NotTaken::Other(_) => Trouble::Other,
                };
                (trouble, e.to_string())
            }),
            Speak::Mail(mail) => mail.reach().await.map_err(|e| match e {
                NotReached::Login(why) => (Trouble::Login, why),
                NotReached::Other(why) => (Trouble::Other, why),
            }),
            Speak::No | Speak::Not(_) => Ok(()),
        }
    };
    timeout(SPEAK, said).await.unwrap_or_else(|_| {
        Err((
            Trouble::Silent,
            format!(
                "it takes the connection, but says nothing within {} s",
                SPEAK.as_secs()
            ),
        ))
    })
}
