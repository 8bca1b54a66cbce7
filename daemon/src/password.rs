//! `ebbmark password`: sets the password that writing on the page needs.

use std::io::{BufRead, IsTerminal};

use anyhow::{Context, Result, bail};
use ebbmark_store::model::Command;

use crate::backup::upgrade;
use crate::config::Config;

/// Asks for the password twice on a terminal, unseen; else reads one line of standard input.
///
/// # Errors
/// The two differ, the password is too weak, or the database cannot be written.
pub fn run(config: &Config) -> Result<()> {
    let database = config.database();
    let password = if std::io::stdin().is_terminal() {
        eprintln!(
            "This sets the password of the cellar kept in {}.",
            database.display()
        );
        let ask = |prompt| rpassword::prompt_password(prompt).context("cannot read the password");
        let password = ask("New password: ")?;
        if ask("Once more: ")? != password {
            bail!("the two are not the same; nothing was changed");
        }
        password
    } else {
        let mut line = String::new();
        std::io::stdin()
            .lock()
            .read_line(&mut line)
            .context("cannot read the password")?;
        line.trim_end_matches(['\r', '\n']).to_string()
    };
    let hash = ebbmark_web::auth::hash_password(&password)?;
    config.make_data_folder()?;
    let (writer, _) = upgrade::open(config)?;
    writer.command_blocking(Command::SetSetting {
        key: ebbmark_web::auth::PASSWORD_SETTING.to_string(),
        value: Some(hash),
    })?;
    eprintln!(
        "The password is set in {}. A daemon running on it takes it at once; addresses other than loopback open at its next start.",
        database.display()
    );
    Ok(())
}
