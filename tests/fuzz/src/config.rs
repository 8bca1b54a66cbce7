//! The configuration file: read, refused with words, and never a panic.

use ebbmark::config::Config;

pub fn run(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    match toml::from_str::<Config>(text) {
        Ok(config) => {
            let problems = config.problems();
            assert!(
                problems.iter().all(|p| !p.trim().is_empty()),
                "{problems:?}"
            );
        }
        Err(cause) => assert!(!cause.to_string().is_empty()),
    }
}
