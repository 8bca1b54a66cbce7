//! Checking and setting the password from a page, guesses kept slow.

use std::time::Instant;

use ebbmark_store::model::Command;

use super::guard::Guard;
use super::{PASSWORD_SETTING, PasswordError, hash_password, is_password};
use crate::app::App;
use crate::fault::Fault;

pub(crate) enum Answer {
    Right,
    Wrong,
    /// Too many were wrong: so many seconds first.
    Wait(u64),
}

fn guard(app: &App) -> Result<std::sync::MutexGuard<'_, Guard>, Fault> {
    app.guard
        .lock()
        .map_err(|_| Fault::broken("the sign-in guard's lock is poisoned"))
}

/// Whether `is_it` says so; asked only when no wait is due, and counted.
pub(crate) async fn slowly(
    app: &App,
    is_it: impl AsyncFnOnce() -> Result<bool, Fault>,
) -> Result<Answer, Fault> {
    if let Err(wait) = guard(app)?.attempt(Instant::now()) {
        return Ok(Answer::Wait(wait.as_secs() + 1));
    }
    if is_it().await? {
        guard(app)?.succeeded();
        return Ok(Answer::Right);
    }
    guard(app)?.failed(Instant::now());
    tracing::warn!("a wrong password, or a wrong code of the first start");
    Ok(Answer::Wrong)
}

/// Whether this is the password `stored` was made from.
pub(crate) async fn password(app: &App, typed: String, stored: String) -> Result<Answer, Fault> {
    slowly(app, async || {
        let stored = stored.clone();
        hashing(app, move || is_password(&typed, &stored))
            .await?
            .map_err(|e| Fault::broken(format!("the stored password cannot be used: {e}")))
    })
    .await
}

/// Sets the password, which ends every session. Gives its hash, or what is wrong with it.
pub(crate) async fn set(
    app: &App,
    password: String,
) -> Result<Result<String, PasswordError>, Fault> {
    let hash = match hashing(app, move || hash_password(&password)).await? {
        Ok(hash) => hash,
        Err(why) => return Ok(Err(why)),
    };
    app.command(Command::SetSetting {
        key: PASSWORD_SETTING.to_owned(),
        value: Some(hash.clone()),
    })
    .await?;
    Ok(Ok(hash))
}

async fn hashing<T: Send + 'static>(
    app: &App,
    work: impl FnOnce() -> T + Send + 'static,
) -> Result<T, Fault> {
    let _alone = app
        .hashing
        .acquire()
        .await
        .map_err(|_| Fault::broken("the hashing permit is closed"))?;
    tokio::task::spawn_blocking(work)
        .await
        .map_err(|e| Fault::broken(format!("a password was not hashed to the end: {e}")))
}
