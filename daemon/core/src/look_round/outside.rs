//! What the daemon talks to: brokers, the mail server, addresses that are called.

use super::Line;

/// Somebody to talk to.
#[derive(Clone, Debug, PartialEq)]
pub struct Errand {
    pub to: To,
    /// As the configuration names it; empty where there is only one.
    pub name: String,
    /// Host and port; never more of an address, the rest may be a secret.
    pub address: String,
    pub outcome: Result<(), (Trouble, String)>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum To {
    Broker,
    Mail,
    Call,
    /// The address that is called as long as the daemon lives.
    Heartbeat,
}

/// How the maker reaches the page from a notice.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Address {
    NotSaid,
    At(String),
}

pub(super) fn address(address: &Address) -> Line {
    let line = |says: String| Line::good("address", "address of the page", says);
    match address {
        Address::At(address) => line(format!("Links in notices begin with {address}.")),
        Address::NotSaid => line(String::new()).look_at(
            "Notices carry no links to the page, and cannot be answered from a mail.",
            "Set address = \"https://…\" under [page] in the configuration: how you reach this page.",
        ),
    }
}

/// How far it went.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trouble {
    /// Something the configuration names cannot be used.
    Setup,
    /// Nobody knows the host's name.
    Unknown,
    /// The host is there, but nobody listens on that port.
    Refused,
    /// No answer in time.
    Silent,
    /// Name or password was not taken.
    Login,
    /// Anything else.
    Other,
}

impl To {
    fn key(self) -> &'static str {
        match self {
            To::Broker => "broker",
            To::Mail => "mail",
            To::Call => "webhook",
            To::Heartbeat => "heartbeat",
        }
    }

    fn place(self, name: &str) -> String {
        match self {
            To::Broker => format!("[[broker]] {name}"),
            To::Mail => "[notify.mail]".into(),
            To::Call => format!("[notify.webhook.{name}]"),
            To::Heartbeat => "[heartbeat]".into(),
        }
    }
}

pub(super) fn errand(errand: &Errand) -> Line {
    let Errand {
        to, name, address, ..
    } = errand;
    let line = Line::good(
        to.key(),
        format!("{} {name}", to.key()).trim_end(),
        match to {
            To::Broker => format!("{address} answers and takes us in."),
            To::Mail => format!("{address} answers and would take a mail; none was sent."),
            To::Call | To::Heartbeat => {
                format!("{address} can be reached; nothing was sent to it.")
            }
        },
    );
    let Err((trouble, why)) = &errand.outcome else {
        return line;
    };
    let place = to.place(name);
    let remedy = match trouble {
        Trouble::Setup => format!("Put it right under {place}."),
        Trouble::Unknown => format!(
            "See that the host is written right under {place}, and that this board reaches the network and its name server."
        ),
        Trouble::Refused => {
            format!("See that the server runs there, and that the port under {place} is right.")
        }
        Trouble::Silent => format!(
            "See that that machine is on, that no firewall lies between, and that host and port under {place} are right."
        ),
        Trouble::Login => format!(
            "Put user and password right under {place}, as they are set at the server; its log may say more."
        ),
        Trouble::Other => format!(
            "See that the kind of connection (TLS or not), port and ca-file under {place} are right; the server's log may say more."
        ),
    };
    line.broken(format!("{address}: {why}."), remedy)
}
