//! Someone at the page without scripts: follows links, fills in forms, keeps the cookie.

use std::time::Duration;

use serde_json::Value;
use ureq::Agent;
use ureq::http::{Response, header};

use crate::cellar::PASSWORD;
use crate::form::{Form, forms};

pub struct Visitor {
    agent: Agent,
    base: String,
    cookie: String,
}

#[derive(Clone, Debug)]
pub struct Answer {
    pub status: u16,
    /// Where it leads to.
    pub location: Option<String>,
    pub body: String,
}

impl Visitor {
    pub fn new(base: &str) -> Visitor {
        let agent = Agent::config_builder()
            .timeout_global(Some(Duration::from_secs(60)))
            .max_redirects(0)
            .http_status_as_error(false)
            .build()
            .new_agent();
        Visitor {
            agent,
            base: base.to_owned(),
            cookie: String::new(),
        }
    }

    /// # Panics
    /// The password is not taken.
    pub fn signed_in(base: &str) -> Visitor {
        let mut visitor = Visitor::new(base);
        let request = visitor
            .agent
            .post(format!("{base}/enter"))
            .send_form([("password", PASSWORD), ("then", "/")]);
        let response = request.expect("the page answers");
        assert_eq!(response.status(), 303, "the password is taken");
        visitor.cookie = response
            .headers()
            .get(header::SET_COOKIE)
            .and_then(|v| v.to_str().ok())
            .and_then(|v| v.split(';').next())
            .expect("signing in sets a cookie")
            .to_owned();
        visitor
    }

    /// As the browser would send it.
    pub fn cookie(&self) -> &str {
        &self.cookie
    }

    pub fn base(&self) -> &str {
        &self.base
    }

    /// # Panics
    /// There is no answer.
    pub fn get(&self, path: &str) -> Answer {
        let request = self.agent.get(format!("{}{path}", self.base));
        answer(request.header(header::COOKIE, &self.cookie).call())
    }

    /// Presses the button of a page whose form goes to where it came from.
    ///
    /// # Panics
    /// There is no answer.
    pub fn press(&self, path: &str) -> Answer {
        let request = self.agent.post(format!("{}{path}", self.base));
        answer(request.header(header::COOKIE, &self.cookie).send_empty())
    }

    /// A page that must be there.
    ///
    /// # Panics
    /// It is not.
    pub fn page(&self, path: &str) -> String {
        let answer = self.get(path);
        assert_eq!(answer.status, 200, "{path}: {}", answer.body);
        answer.body
    }

    /// The form on a page that goes to `action`.
    ///
    /// # Panics
    /// There is none.
    pub fn form(&self, path: &str, action: &str) -> Form {
        self.form_where(path, |form| form.action == action)
            .unwrap_or_else(|| panic!("{path} has no form for {action}"))
    }

    pub fn form_where(&self, path: &str, is_it: impl Fn(&Form) -> bool) -> Option<Form> {
        forms(&self.page(path)).into_iter().find(is_it)
    }

    /// # Panics
    /// There is no answer.
    pub fn send(&self, form: &Form) -> Answer {
        let request = self
            .agent
            .post(format!("{}{}", self.base, form.action))
            .header(header::COOKIE, &self.cookie)
            .header(header::ORIGIN, &self.base);
        answer(request.send_form(form.fields.iter().map(|(n, v)| (n.as_str(), v.as_str()))))
    }

    /// Sends a form that must be taken; gives where it leads to.
    ///
    /// # Panics
    /// It is not taken.
    pub fn submit(&self, form: &Form) -> String {
        let answer = self.send(form);
        assert_eq!(answer.status, 303, "{}: {}", form.action, answer.body);
        answer.location.expect("303 leads somewhere")
    }

    /// Adds a vessel; gives the address of its page.
    pub fn add_vessel(&self, name: &str) -> String {
        self.submit(&self.form("/", "/vessel").with("name", name))
    }

    /// Starts a mead in a vessel. `started` as the form takes it: "2026-03-01T06:30", UTC.
    pub fn start_mead(&self, vessel: &str, started: &str, original: &str, expected: &str) {
        let form = self
            .form(vessel, &format!("{vessel}/batch"))
            .with("name", "Lime blossom")
            .with("started", started)
            .with("original", original)
            .with("expected", expected);
        self.submit(&form);
    }

    /// The form to claim a topic, once it waits there.
    pub fn claim_form(&self, source: &str, topic: &str) -> Form {
        crate::wait::until(&format!("{topic} waiting to be claimed"), || {
            self.form_where("/feeds", |form| {
                form.action == "/feeds/claim"
                    && form.get("source") == Some(source)
                    && form.get("topic") == Some(topic)
            })
        })
    }

    /// Claims a topic as the form suggests, for a vessel (its page's address) or none.
    pub fn claim(&self, source: &str, topic: &str, vessel: Option<&str>) {
        let id = vessel.map_or("", |v| v.trim_start_matches("/vessel/"));
        self.submit(&self.claim_form(source, topic).with("vessel", id));
    }

    /// Makes an intake token.
    pub fn intake_token(&self) -> String {
        self.token("send")
    }

    /// Makes a token for programs.
    pub fn api_token(&self) -> String {
        self.token("write")
    }

    /// Makes the calendar's address; gives the key in it.
    ///
    /// # Panics
    /// None is shown.
    pub fn calendar_key(&self) -> String {
        let answer = self.send(&self.form("/access", "/access/calendar"));
        let (_, rest) = answer.body.split_once("key=").expect("the key is shown");
        rest.chars().take_while(char::is_ascii_hexdigit).collect()
    }

    fn token(&self, scope: &str) -> String {
        let form = self.form("/access", "/access/token");
        let answer = self.send(&form.with("name", "Somebody").tick(scope));
        let (_, rest) = answer
            .body
            .split_once("<code class=\"token\">")
            .expect("the token is shown");
        rest.split('<').next().unwrap_or_default().to_owned()
    }

    /// What a program gets with its token.
    ///
    /// # Panics
    /// It is not there.
    pub fn api_get(&self, path: &str, token: &str) -> Value {
        let request = self.agent.get(format!("{}/api/v1/{path}", self.base));
        let request = request.header(header::AUTHORIZATION, format!("Bearer {token}"));
        let answer = answer(request.call());
        assert_eq!(answer.status, 200, "{path}: {}", answer.body);
        serde_json::from_str(&answer.body).expect("the answer is JSON")
    }

    /// Posts JSON as a program does. `key` as Idempotency-Key unless it is empty.
    ///
    /// # Panics
    /// There is no answer.
    pub fn api(&self, path: &str, token: &str, key: &str, body: &Value) -> Answer {
        let mut request = self
            .agent
            .post(format!("{}/api/v1/{path}", self.base))
            .header(header::AUTHORIZATION, format!("Bearer {token}"));
        if !key.is_empty() {
            request = request.header("idempotency-key", key);
        }
        answer(request.send(body.to_string()))
    }

    /// Posts readings; without a token if `token` is empty.
    ///
    /// # Panics
    /// There is no answer.
    pub fn post_reading(&self, topic: &str, token: &str, payload: &[u8]) -> Answer {
        let mut request = self.agent.post(format!("{}/intake/{topic}", self.base));
        if !token.is_empty() {
            request = request.header(header::AUTHORIZATION, format!("Bearer {token}"));
        }
        answer(request.send(payload))
    }
}

fn answer(response: Result<Response<ureq::Body>, ureq::Error>) -> Answer {
    let mut response = response.expect("the page answers");
    let location = response
        .headers()
        .get(header::LOCATION)
        .and_then(|v| v.to_str().ok())
        .map(str::to_owned);
    Answer {
        status: response.status().as_u16(),
        location,
        body: response
            .body_mut()
            .read_to_string()
            .expect("the answer can be read"),
    }
}
