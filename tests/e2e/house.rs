//! The house around it, by the examples under `config/`: a broker with TLS and accounts, another cellar
//! whose broker passes on to it, two daemons at one broker, a proxy that speaks TLS for the page. The
//! examples are taken as they stand, but for ports, folders and names.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use ebbmark_tests::cellar::{Cellar, PASSWORD};
use ebbmark_tests::certificate::Authority;
use ebbmark_tests::form::{Form, forms};
use ebbmark_tests::mosquitto::{self, Mosquitto};
use ebbmark_tests::process::Process;
use ebbmark_tests::wait::until_true;
use ebbmark_tests::{ports, tools};
use serde_json::{Value, json};
use tempfile::TempDir;

use crate::common::{days_ago, errors, local, message, publish};
use crate::kill::payload;

fn example(name: &str) -> String {
    fs::read_to_string(tools::root().join("config").join(name)).expect("an example of ours")
}

/// Each of these has to be in the example.
fn put_in(text: String, places: &[(&str, String)]) -> String {
    places.iter().fold(text, |text, (place, value)| {
        assert!(text.contains(place), "the example no longer says {place:?}");
        text.replace(place, value)
    })
}

fn inside(folder: &Path, name: &str) -> String {
    folder.join(name).display().to_string()
}

const USERS: [(&str, &str); 4] = [
    ("ebbmark", "for the daemon"),
    ("floats", "for the floats"),
    ("wall", "for the wall"),
    ("cellar-a", "for cellar a"),
];

/// The broker of the house, and where the authority of its certificate is.
fn house() -> (Mosquitto, TempDir) {
    let certificates = TempDir::with_prefix("ebbmark-certificates-").expect("a temporary folder");
    fs::set_permissions(
        certificates.path(),
        std::os::unix::fs::PermissionsExt::from_mode(0o755),
    )
    .expect("a folder of ours");
    let authority = Authority::new(certificates.path());
    authority.make("broker", "DNS:localhost,IP:127.0.0.1", 2);
    authority.open("broker");
    let broker = Mosquitto::configured(|folder, port| {
        mosquitto::passwords(&folder.join("passwords"), &USERS);
        let acl = folder.join("house.acl");
        fs::write(&acl, example("house-broker.acl")).expect("a temporary folder");
        put_in(
            example("house-broker.conf"),
            &[
                ("listener 8883", format!("listener {port} 127.0.0.1")),
                ("/etc/mosquitto/passwords", inside(folder, "passwords")),
                ("/etc/mosquitto/house.acl", inside(folder, "house.acl")),
                (
                    "/etc/mosquitto/certs/broker.pem",
                    inside(certificates.path(), "broker.pem"),
                ),
                (
                    "/etc/mosquitto/certs/broker.key",
                    inside(certificates.path(), "broker-key.pem"),
                ),
            ],
        )
    });
    (broker, certificates)
}

/// The daemon of the house, as `config/brokers.toml` has it.
fn at_home(broker: &Mosquitto, certificates: &TempDir) -> Cellar {
    let cellar = Cellar::new();
    let password = cellar.file("house-password", USERS[0].1);
    let all = example("brokers.toml");
    let (first, _) = all
        .split_once("[[broker]]\nname = \"shed\"")
        .expect("the example has two");
    let (_, table) = first.split_once("[[broker]]").expect("and this is one");
    let table = put_in(
        format!("[[broker]]{table}"),
        &[
            (
                "host = \"broker.example.org\"",
                format!(
                    "host = \"localhost\"\nport = {}\nca-file = {:?}",
                    broker.port,
                    certificates.path().join("ca.pem")
                ),
            ),
            (
                "/etc/ebbmark/house-password",
                password.display().to_string(),
            ),
        ],
    );
    cellar.configure(&table);
    cellar
}

/// `mosquitto_pub` with TLS, as one of the users.
fn publish_as(
    user: usize,
    broker: &Mosquitto,
    certificates: &TempDir,
    topic: &str,
    text: &str,
) -> Output {
    Command::new(tools::system("mosquitto_pub"))
        .args(["-h", "localhost", "-p", &broker.port.to_string()])
        .arg("--cafile")
        .arg(certificates.path().join("ca.pem"))
        .args(["-u", USERS[user].0, "-P", USERS[user].1])
        .args(["-V", "5", "-q", "1", "-t", topic, "-m", text])
        .output()
        .expect("mosquitto_pub starts")
}

#[test]
fn a_broker_with_tls_and_accounts() {
    let (broker, certificates) = house();
    let cellar = at_home(&broker, &certificates);
    let (mut daemon, visitor) = cellar.open();
    until_true("connected over TLS", || {
        visitor.page("/feeds").contains("connected since")
    });

    // Nobody without an account, and nobody without TLS.
    let stranger = Command::new(tools::system("mosquitto_pub"))
        .args(["-h", "localhost", "-p", &broker.port.to_string()])
        .arg("--cafile")
        .arg(certificates.path().join("ca.pem"))
        .args(["-q", "1", "-t", "loft/one/float", "-m", "1.010"])
        .output()
        .unwrap();
    assert!(!stranger.status.success(), "{stranger:?}");
    let plain = Command::new(tools::system("mosquitto_pub"))
        .args(["-h", "localhost", "-p", &broker.port.to_string()])
        .args(["-u", USERS[1].0, "-P", USERS[1].1])
        .args(["-q", "1", "-t", "loft/one/float", "-m", "1.020"])
        .output()
        .unwrap();
    assert!(!plain.status.success(), "{plain:?}");

    // Who may send may not say what is the daemon's to say.
    let kept = |topic: &str| cellar.database().payloads("house", topic);
    let verdict = "ebbmark/vessel/cask/verdict";
    let forged = publish_as(1, &broker, &certificates, verdict, "{}");
    assert!(errors(&forged).contains("Not authorized"), "{forged:?}");
    publish_as(2, &broker, &certificates, "loft/one/float", "1.030");
    let sent = publish_as(1, &broker, &certificates, "loft/one/float", "1.040");
    assert!(sent.status.success(), "{sent:?}");
    until_true("the float's message", || !kept("loft/one/float").is_empty());
    assert_eq!(kept("loft/one/float"), [b"1.040"]);

    // What hangs on the wall hears the verdict, and not what somebody else made up.
    let vessel = visitor.add_vessel("Cask");
    visitor.claim("house", "loft/one/float", Some(&vessel));
    visitor.start_mead(&vessel, &local(days_ago(2)), "1.090", "1.000");
    let mut wall = Command::new(tools::system("mosquitto_sub"));
    wall.args(["-h", "localhost", "-p", &broker.port.to_string()])
        .arg("--cafile")
        .arg(certificates.path().join("ca.pem"))
        .args(["-u", USERS[2].0, "-P", USERS[2].1])
        .args(["-t", "ebbmark/#", "-F", "%t %p"]);
    let wall = Process::start("the wall", &mut wall);
    let heard = wall.out.wait_for_part(verdict);
    assert!(heard.contains("\"vessel\":\"Cask\""), "{heard}");
    daemon.stop();
}

/// A cellar elsewhere has a broker of its own, which passes on to the house; while the house cannot be
/// reached what its floats send waits there.
#[test]
fn another_cellar_behind_a_bridge() {
    let (mut broker, certificates) = house();
    let cellar = at_home(&broker, &certificates);
    let (mut daemon, visitor) = cellar.open();
    until_true("connected over TLS", || {
        visitor.page("/feeds").contains("connected since")
    });
    let house_port = broker.port;
    let elsewhere = Mosquitto::configured(|folder, port| {
        mosquitto::passwords(&folder.join("passwords"), &USERS[1..2]);
        put_in(
            example("cellar-bridge.conf"),
            &[
                ("listener 1883", format!("listener {port} 127.0.0.1")),
                ("/etc/mosquitto/passwords", inside(folder, "passwords")),
                ("broker.example.org:8883", format!("localhost:{house_port}")),
                (
                    "/etc/mosquitto/certs/house-ca.pem",
                    inside(certificates.path(), "ca.pem"),
                ),
                (
                    "remote_password changeme",
                    format!("remote_password {}", USERS[3].1),
                ),
            ],
        )
    });
    let start = days_ago(2);
    let all: Vec<String> = (0..40).map(|n| payload(n, start)).collect();
    let send = |range: std::ops::Range<usize>| {
        let messages: Vec<Value> = all[range]
            .iter()
            .map(|p| message("loft/float", p, 1))
            .collect();
        let account = ["--user", USERS[1].0, "--password", USERS[1].1];
        publish(elsewhere.port, &account, &messages);
    };
    let topic = "cellar/a/loft/float";
    let here = |n: usize| {
        until_true("passed on", || {
            cellar.database().payloads("house", topic).len() >= n
        });
    };
    send(0..1);
    here(1);
    let vessel = visitor.add_vessel("Cask in cellar a");
    visitor.claim("house", topic, Some(&vessel));
    // The house's own floats come to the same page.
    let own = publish_as(1, &broker, &certificates, "loft/own/float", "1.050");
    assert!(own.status.success(), "{own:?}");
    visitor.claim("house", "loft/own/float", None);

    broker.stop();
    send(1..20);
    broker.again();
    send(20..40);
    here(40);
    let kept = cellar.database().payloads("house", topic);
    let mut once: Vec<&[u8]> = kept.iter().map(Vec::as_slice).collect();
    once.sort_unstable();
    once.dedup();
    let mut wanted: Vec<&[u8]> = all.iter().map(|p| p.as_bytes()).collect();
    wanted.sort_unstable();
    assert_eq!(once, wanted, "all of it");
    assert_eq!(cellar.database().readings("house", topic).len(), all.len());
    let page = visitor.page("/");
    assert!(page.contains("Cask in cellar a"), "{page}");
    daemon.stop();
}

/// Two daemons in one group at a broker: each message comes to exactly one of them.
#[test]
fn two_daemons_share_a_subscription() {
    let broker = Mosquitto::start();
    let table = |id: &str| {
        format!(
            "[[broker]]\nname = \"house\"\nhost = \"127.0.0.1\"\nport = {}\nclient-id = \"{id}\"\ntopics = [\"$share/cellars/shelf/#\"]\n",
            broker.port
        )
    };
    let cellars = [Cellar::with(&table("one")), Cellar::with(&table("two"))];
    let mut running: Vec<_> = cellars.iter().map(Cellar::open).collect();
    for (_, visitor) in &running {
        until_true("connected", || {
            visitor.page("/feeds").contains("connected since")
        });
    }
    let start = days_ago(2);
    let kept = |cellar: &Cellar| cellar.database().payloads("house", "shelf/float");
    let mut sent = Vec::new();
    // Until both have had some: whose turn it is is the broker's to say.
    until_true("each has some", || {
        let next: Vec<String> = (0..10)
            .map(|n| payload(sent.len() as u64 + n, start))
            .collect();
        let messages: Vec<Value> = next.iter().map(|p| message("shelf/float", p, 1)).collect();
        publish(broker.port, &["--version", "5"], &messages);
        sent.extend(next);
        cellars.iter().all(|cellar| !kept(cellar).is_empty())
    });
    // Unclaimed topics keep only their last: what came in is counted.
    let heard = "SELECT coalesce(sum(heard), 0) FROM topic WHERE topic = 'shelf/float'";
    let counts = || {
        cellars
            .iter()
            .map(|c| c.database().count(heard))
            .sum::<u64>()
    };
    until_true("all of them", || counts() >= sent.len() as u64);
    assert_eq!(counts(), sent.len() as u64, "none came to both");
    let [one, two] = [kept(&cellars[0]), kept(&cellars[1])];
    assert!(one.iter().all(|payload| !two.contains(payload)));
    for (daemon, _) in &mut running {
        daemon.stop();
    }
}

/// curl at the proxy, under the name that stands in the example.
struct Outside {
    folder: TempDir,
    port: u16,
}

impl Outside {
    fn address(&self, path: &str) -> String {
        format!("https://cellar.example.org:{}{path}", self.port)
    }

    fn curl(&self, path: &str) -> Command {
        let mut curl = Command::new(tools::system("curl"));
        let jar = inside(self.folder.path(), "cookies");
        curl.args(["--silent", "--show-error", "--cacert"])
            .arg(self.folder.path().join("ca.pem"))
            .arg("--resolve")
            .arg(format!("cellar.example.org:{}:127.0.0.1", self.port))
            .args(["--cookie", &jar, "--cookie-jar", &jar])
            .arg(self.address(path));
        curl
    }

    fn get(&self, path: &str) -> String {
        crate::common::text(&self.curl(path).arg("--fail").output().expect("curl starts"))
    }

    /// Sends a form; gives the status.
    fn send(&self, form: &Form, origin: &str) -> String {
        let mut curl = self.curl(&form.action);
        curl.args(["--output", "/dev/null", "--write-out", "%{http_code}"])
            .args(["--header", &format!("Origin: {origin}")]);
        for (name, value) in &form.fields {
            curl.arg("--data-urlencode").arg(format!("{name}={value}"));
        }
        crate::common::text(&curl.output().expect("curl starts"))
    }

    fn form(&self, path: &str, action: &str) -> Form {
        let form = forms(&self.get(path))
            .into_iter()
            .find(|f| f.action == action);
        form.unwrap_or_else(|| panic!("{path} has no form for {action}"))
    }
}

#[test]
fn a_proxy_that_speaks_tls() {
    let cellar = Cellar::new();
    let own = fs::read_to_string(cellar.path("ebbmark.toml")).unwrap();
    fs::write(
        cellar.path("ebbmark.toml"),
        own.replace("[page]\n", "[page]\nbehind-tls = true\n"),
    )
    .unwrap();
    cellar.set_password();
    let mut daemon = cellar.start();

    let outside = Outside {
        folder: TempDir::with_prefix("ebbmark-proxy-").unwrap(),
        port: ports::free(),
    };
    let plain = ports::free();
    let folder = outside.folder.path();
    let authority = Authority::new(folder);
    authority.make("proxy", "DNS:cellar.example.org", 2);
    authority.open("proxy");
    let site = put_in(
        example("proxy.conf"),
        &[
            ("    listen [::]:80;\n", String::new()),
            ("    listen [::]:443 ssl http2;\n", String::new()),
            ("listen 80;", format!("listen 127.0.0.1:{plain};")),
            (
                "listen 443 ssl",
                format!("listen 127.0.0.1:{} ssl", outside.port),
            ),
            ("/etc/ssl/certs/cellar.pem", inside(folder, "proxy.pem")),
            (
                "/etc/ssl/private/cellar.key",
                inside(folder, "proxy-key.pem"),
            ),
            ("127.0.0.1:8420", format!("127.0.0.1:{}", cellar.page_port)),
        ],
    );
    fs::write(folder.join("site.conf"), site).unwrap();
    let temporary = ["client_body", "proxy", "fastcgi", "uwsgi", "scgi"]
        .map(|what| format!("{what}_temp_path {0}/{what};", folder.display()))
        .join(" ");
    let main = folder.join("nginx.conf");
    fs::write(
        &main,
        format!(
            "daemon off; master_process off; pid {0}/pid; error_log stderr; events {{}} http {{ access_log off; {temporary} include {0}/site.conf; }}",
            folder.display()
        ),
    )
    .unwrap();
    let mut nginx = Command::new(tools::system("nginx"));
    nginx.arg("-c").arg(&main).arg("-p").arg(folder);
    nginx.args(["-e", "stderr"]);
    let _nginx = Process::start("nginx", &mut nginx);
    until_true("the proxy answers", || {
        outside
            .curl("/enter")
            .output()
            .is_ok_and(|o| o.status.success())
    });

    // Who comes without TLS is sent on.
    let moved = Command::new(tools::system("curl"))
        .args(["--silent", "--output", "/dev/null", "--write-out"])
        .args([
            "%{http_code} %{redirect_url}",
            "--header",
            "Host: cellar.example.org",
        ])
        .arg(format!("http://127.0.0.1:{plain}/feeds"))
        .output()
        .unwrap();
    assert_eq!(
        crate::common::text(&moved),
        "301 https://cellar.example.org/feeds"
    );

    // Signing in; the cookie goes over TLS only.
    let own = outside.address("").trim_end_matches('/').to_owned();
    let enter = outside.form("/enter", "/enter").with("password", PASSWORD);
    assert_eq!(outside.send(&enter, &own), "303");
    let jar = fs::read_to_string(folder.join("cookies")).unwrap();
    let cookie = jar
        .lines()
        .find(|l| l.contains("cellar.example.org"))
        .unwrap();
    assert_eq!(cookie.split('\t').nth(3), Some("TRUE"), "secure: {cookie}");

    // A form of our own page is taken, one from elsewhere is not.
    let vessel = outside.form("/", "/vessel").with("name", "Loft carboy");
    assert_eq!(outside.send(&vessel, "https://elsewhere.example"), "403");
    assert_eq!(outside.send(&vessel, &own), "303");
    assert!(outside.get("/").contains("Loft carboy"));

    // What changes is told to an open page at once, not when the answer ends.
    let mut live = outside.curl("/live");
    let live = Process::start("an open page", live.arg("--no-buffer"));
    let token = outside
        .form("/access", "/access/token")
        .with("name", "Float")
        .tick("send");
    let made = {
        let mut curl = outside.curl("/access/token");
        curl.args(["--header", &format!("Origin: {own}")]);
        for (name, value) in &token.fields {
            curl.arg("--data-urlencode").arg(format!("{name}={value}"));
        }
        crate::common::text(&curl.output().unwrap())
    };
    let (_, rest) = made.split_once("<code class=\"token\">").unwrap();
    let token = rest.split('<').next().unwrap();
    let taken = outside
        .curl("/intake/loft/float")
        .args(["--header", &format!("Authorization: Bearer {token}")])
        .args(["--data", &json!({ "sg": 1.05 }).to_string()])
        .args(["--output", "/dev/null", "--write-out", "%{http_code}"])
        .output()
        .unwrap();
    assert_eq!(crate::common::text(&taken), "202");
    live.out.wait_for_part("feeds");
    assert_eq!(cellar.database().payloads("http", "loft/float").len(), 1);
    daemon.stop();
}
