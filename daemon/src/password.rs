//! `ebbmark password`: sets the password that writing on the page needs.

use std::io::{BufRead, IsTerminal, Write};

use anyhow::{Context, Result, bail};
use ebbmark_store::model::Command;

use crate::config::Config;

/// Reads the password from the terminal (twice) or from standard input (once).
pub fn run(config: &Config) -> Result<()> {
    let input = std::io::stdin();
    let by_hand = input.is_terminal();
    let mut lines = input.lock().lines();
    let mut ask = |prompt: &str| -> Result<String> {
        if by_hand {
            eprint!("{prompt}: ");
            std::io::stderr().flush()?;
        }
        lines
            .next()
            .context("no password was given")?
            .context("the password could not be read")
    };
    let password = ask("New password for the page (it is shown while you type)")?;
    if by_hand && ask("Once more")? != password {
        bail!("the two are not the same; nothing was changed");
    }
    let hash = ebbmark_web::auth::hash_password(&password)?;
    let folder = config.data_folder();
    std::fs::create_dir_all(&folder)
        .with_context(|| format!("cannot make the data folder {}", folder.display()))?;
    let (writer, _) = ebbmark_store::open(&config.database(), config.store.options())?;
    writer.command_blocking(Command::SetSetting {
        key: ebbmark_web::auth::PASSWORD_SETTING.to_string(),
        value: Some(hash),
    })?;
    eprintln!(
        "The password is set. A running daemon takes it at once; addresses other than loopback open at its next start."
    );
    Ok(())
}
