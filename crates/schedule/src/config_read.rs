//! From a document to a configuration: everything but the vessels, and what vessels owe each other.

use crate::config::{
    Broker, Config, Cooler, Drive, Link, ListenTls, Page, Store, Tell, TellWay, Vessel,
};
use crate::config_keys::{CONFIG, COOLER, EVENTS, LINK, PAGE, SHOW, STORE, TELL};
use crate::document::{Fields, Node, Walk};
use crate::forms;
use crate::name::Name;
use crate::schedule_read::above_zero;
use crate::survey::Survey;
use crate::vessel_read;
use quantity::{GravityUnit, Show, Span, TemperatureUnit};
use std::collections::BTreeMap;

/// Reads a configuration; `None` where any of it is broken.
pub(crate) fn config(
    walk: &mut Walk,
    root: &Node<'_>,
    is_time_zone: &dyn Fn(&str) -> bool,
) -> Option<Config> {
    let fields = walk.open(root, &CONFIG)?;
    walk.integer(&fields, "format");
    let mut survey = Survey::default();
    // Each part is read before the first broken one ends it.
    let schedules = walk.text(&fields, "schedules");
    let show = show(walk, &fields, is_time_zone);
    let link = link(walk, &fields);
    let store = store(walk, &fields);
    let page = page(walk, &fields);
    let tell = tells(walk, &fields);
    let mut vessels = vessels(walk, &fields, &mut survey);
    let coolers = coolers(walk, &fields, &mut survey);
    if let (Some(vessels), Some(coolers)) = (&mut vessels, &coolers) {
        without_cooler(vessels, coolers);
    }
    survey.check(walk, link.as_ref().map(|link| link.topics.as_str()));
    let (show, time_zone) = show?;
    Some(Config {
        schedules: schedules?,
        show,
        time_zone,
        link: link?,
        store: store?,
        page: page?,
        tell: tell?,
        vessels: vessels?,
        coolers: coolers?,
    })
}

fn show(
    walk: &mut Walk,
    fields: &Fields<'_>,
    is_time_zone: &dyn Fn(&str) -> bool,
) -> Option<(Show, Option<String>)> {
    let inner = walk.open_in(fields, "show", &SHOW)?;
    let gravity = walk.choice::<GravityUnit>(&inner, "gravity");
    let temperature = walk.choice::<TemperatureUnit>(&inner, "temperature");
    let time_zone = walk.text(&inner, "time_zone");
    if let Some(zone) = time_zone.as_ref().filter(|zone| !is_time_zone(zone)) {
        let message = format!("`{zone}` is not the name of a time zone");
        walk.error("bad-value", inner.place("time_zone"), message)
            .hint("the names are IANA's, such as `\"Europe/London\"`; left out, the machine's");
    }
    Some((Show { gravity: gravity?, temperature: temperature? }, time_zone))
}

fn link(walk: &mut Walk, fields: &Fields<'_>) -> Option<Link> {
    let inner = walk.open_in(fields, "link", &LINK)?;
    let broker = walk.text(&inner, "broker");
    let listen = walk.text(&inner, "listen");
    let topics = walk.text(&inner, "topics");
    let describe_at = walk.text(&inner, "describe_at");
    if topics.is_some() && describe_at == topics {
        let message = "the vessels would be described among the daemon's own topics".to_owned();
        walk.error("bad-value", inner.place("describe_at"), message)
            .hint("the convention's own word is `\"homie\"`");
    }
    let [users_file, username, password_file, ca_file, client_certificate, client_key] =
        ["users_file", "username", "password_file", "ca_file", "client_certificate", "client_key"]
            .map(|key| walk.text(&inner, key));
    let address = forms::broker(&broker?).ok()?;
    let broker = match address {
        None => {
            without_effect(
                walk,
                &inner,
                &["ca_file", "client_certificate", "client_key"],
                EMBEDDED,
            );
            let listen = listen?;
            guarded(walk, &inner, "listen", &listen);
            let tls = listen_tls(walk, &inner);
            Broker::Embedded { listen, tls, users_file, username, password_file }
        }
        Some(forms::BrokerAddress { host, port, tls }) => {
            let keys = ["listen", "users_file"];
            without_effect(walk, &inner, &keys, "with a broker outside");
            without_effect(walk, &inner, LISTEN_TLS, "with a broker outside");
            if !tls {
                let keys = ["ca_file", "client_certificate", "client_key"];
                without_effect(walk, &inner, &keys, "without TLS (`mqtts://`)");
            }
            Broker::Outside {
                host,
                port,
                tls,
                username,
                password_file,
                ca_file,
                client_certificate,
                client_key,
            }
        }
    };
    Some(Link { broker, topics: topics?, describe_at })
}

const EMBEDDED: &str = "with the embedded broker";

/// The keys of an embedded broker's TLS.
const LISTEN_TLS: &[&str] = &["listen_tls", "certificate", "certificate_key", "client_ca_file"];

/// Where the embedded broker listens by TLS; that no key stands alone is a rule of the table.
fn listen_tls(walk: &mut Walk, fields: &Fields<'_>) -> Option<ListenTls> {
    let listen = walk.text(fields, "listen_tls");
    let certificate = walk.text(fields, "certificate");
    let key = walk.text(fields, "certificate_key");
    let client_ca_file = walk.text(fields, "client_ca_file");
    let listen = listen?;
    guarded(walk, fields, "listen_tls", &listen);
    Some(ListenTls { listen, certificate: certificate?, key: key?, client_ca_file })
}

/// Refuses an embedded broker that anybody on the network may use.
fn guarded(walk: &mut Walk, fields: &Fields<'_>, key: &str, listen: &str) {
    if forms::is_loopback(listen) || fields.has("users_file") {
        return;
    }
    let message = format!("the embedded broker would be open to all who reach `{listen}`");
    walk.error("open-broker", fields.place(key), message)
        .hint("add `users_file`, or listen on `\"127.0.0.1:1883\"` only");
}

fn without_effect(walk: &mut Walk, fields: &Fields<'_>, keys: &[&str], when: &str) {
    for key in keys.iter().filter(|key| fields.has(key)) {
        let message = format!("`{key}` has no effect {when}");
        walk.warn("no-effect", fields.key_place(key), message).hint("leave it out");
    }
}

fn store(walk: &mut Walk, fields: &Fields<'_>) -> Option<Store> {
    let inner = walk.open(fields.node("store")?, &STORE)?;
    let file = walk.text(&inner, "file");
    let keep = above_zero(walk, &inner, "keep");
    Some(Store { file: file?, keep: keep? })
}

fn page(walk: &mut Walk, fields: &Fields<'_>) -> Option<Option<Page>> {
    let Some(node) = fields.node("page") else { return Some(None) };
    let inner = walk.open(node, &PAGE)?;
    let listen = walk.text(&inner, "listen");
    let password_file = walk.text(&inner, "password_file");
    let names = walk.texts(&inner, "names");
    let listen = listen?;
    if !forms::is_loopback(&listen) && !inner.has("password_file") {
        let message = format!("the page is open to all who reach `{listen}`");
        walk.warn("open-page", inner.place("listen"), message)
            .hint("add `password_file`, or listen on `\"127.0.0.1:8460\"` only");
    }
    Some(Some(Page { listen, password_file, names }))
}

fn tells(walk: &mut Walk, fields: &Fields<'_>) -> Option<Vec<Tell>> {
    if !fields.has("tell") {
        return Some(Vec::new());
    }
    let nodes = walk.list(fields, "tell")?;
    let tells: Vec<Option<Tell>> = nodes.iter().map(|node| tell(walk, node)).collect();
    tells.into_iter().collect()
}

fn tell(walk: &mut Walk, node: &Node<'_>) -> Option<Tell> {
    let inner = walk.open(node, &TELL)?;
    let url = walk.text(&inner, "url");
    let run = walk.texts(&inner, "run");
    let events = walk.words(&inner, "events", EVENTS);
    let way = match url {
        Some(url) => TellWay::Url(url),
        None if !run.is_empty() => TellWay::Run(run),
        None => return None,
    };
    Some(Tell { way, events: events.into_iter().map(str::to_owned).collect() })
}

fn vessels(
    walk: &mut Walk,
    fields: &Fields<'_>,
    survey: &mut Survey,
) -> Option<BTreeMap<Name, Vessel>> {
    let nodes = walk.named(fields, "vessel");
    let vessels: Vec<Option<(Name, Vessel)>> = nodes
        .iter()
        .map(|(name, node)| Some((name.clone(), vessel_read::vessel(walk, name, node, survey)?)))
        .collect();
    vessels.into_iter().collect()
}

fn coolers(
    walk: &mut Walk,
    fields: &Fields<'_>,
    survey: &mut Survey,
) -> Option<BTreeMap<Name, Cooler>> {
    let nodes = walk.named(fields, "cooler");
    let coolers: Vec<Option<(Name, Cooler)>> = nodes
        .iter()
        .map(|(name, node)| Some((name.clone(), cooler(walk, name, node, survey)?)))
        .collect();
    coolers.into_iter().collect()
}

fn cooler(walk: &mut Walk, name: &Name, node: &Node<'_>, survey: &mut Survey) -> Option<Cooler> {
    let fields = walk.open(node, &COOLER)?;
    survey.cooler(name, &fields);
    // It is told again as often as the vessels that draw on it are.
    let refresh = survey.refresh_of(name).unwrap_or(Span::from_secs(60));
    let what = format!("the cooler `{name}`");
    let output = vessel_read::output(walk, &fields, &what, Some(refresh), survey);
    let at_once = walk.integer(&fields, "at_once");
    let target = walk.quantity(&fields, "target");
    let reservoir = match fields.node("reservoir") {
        Some(node) => Some(vessel_read::reservoir(walk, name, node, survey)?),
        None => None,
    };
    let by_setpoint = output.as_ref().is_some_and(|output| output.drive != Drive::Switch);
    if by_setpoint && !fields.has("target") {
        let message = format!("{what} is driven by a setpoint and has no `target`");
        walk.error("no-target", fields.place("drive"), message)
            .hint("say where its thermostat is set, such as `target = \"-2 C\"`");
        return None;
    }
    if !by_setpoint && fields.has("target") && reservoir.is_none() {
        let message = format!("`target` has no effect: nothing measures what {what} cools");
        walk.warn("no-effect", fields.key_place("target"), message)
            .hint("add the `reservoir` probe, or leave it out");
    }
    Some(Cooler { output: output?, at_once, reservoir, target })
}

/// A valve on a cooler that is out of use is so too.
fn without_cooler(vessels: &mut BTreeMap<Name, Vessel>, coolers: &BTreeMap<Name, Cooler>) {
    for chiller in vessels.values_mut().filter_map(|vessel| vessel.chiller.as_mut()) {
        let cooler = chiller.from.as_ref().and_then(|name| coolers.get(name));
        chiller.out_of_use |= cooler.is_some_and(|cooler| cooler.output.out_of_use);
    }
}
