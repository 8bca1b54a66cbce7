//! Whether a broker takes us in: asked by a connection of its own, beside the one that is kept up.

use std::time::Duration;

use rumqttc::{AsyncClient, ConnectReturnCode, ConnectionError, Event, Incoming};
use tokio::time::timeout;

use super::config::{BrokerConfig, BrokerError};

/// How long a goodbye may take.
const GOODBYE: Duration = Duration::from_secs(1);

#[derive(Debug, thiserror::Error)]
pub enum NotTaken {
    #[error(transparent)]
    Setup(#[from] BrokerError),
    #[error("it does not take this user and password ({0:?})")]
    Login(ConnectReturnCode),
    #[error("{0}")]
    Other(String),
}

/// Connects, signs in and leaves. Nothing is subscribed to, and no session is kept; ours at that
/// broker is untouched, for this one has another client id.
///
/// # Errors
/// It was not taken in. Waits as long as the broker does: give it a limit.
pub async fn probe(config: &BrokerConfig) -> Result<(), NotTaken> {
    config.check()?;
    let client_id = format!("{}-look-{}", config.client_id, std::process::id());
    let mut options = super::options(config, &client_id)?;
    options.set_clean_session(true);
    let (client, mut events) = AsyncClient::builder(options).unbounded().build();
    loop {
        match events.poll().await {
            Ok(Event::Incoming(Incoming::ConnAck(_))) => break,
            Ok(_) => {}
            Err(ConnectionError::ConnectionRefused(
                code @ (ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized),
            )) => return Err(NotTaken::Login(code)),
            Err(error) => return Err(NotTaken::Other(error.to_string())),
        }
    }
    if client.try_disconnect().is_ok() {
        // Ends with the error that says that nothing is left to do.
        let left = async { while events.poll().await.is_ok() {} };
        let _ = timeout(GOODBYE, left).await;
    }
    Ok(())
}
