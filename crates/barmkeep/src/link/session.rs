//! One connection to a broker, whichever version of MQTT it speaks: the library's two clients
//! behind one face.

use super::access::Access;
use super::client::Pace;
use super::fault::Fault;
use super::queue::Waiting;
use rumqttc::{self as v3, Outgoing as Done, Transport, v5};
use std::time::{Duration, Instant};

/// The largest packet that is taken from a broker that speaks MQTT 5: it is told so and keeps
/// larger ones to itself.
const IN_BYTES_MAX_5: u32 = 2 * 1024 * 1024;
/// The same for MQTT 3.1.1, where a larger one ends the connection, again and again while it is
/// retained; so this is far above all that is read.
const IN_BYTES_MAX_3: usize = 16 * 1024 * 1024;
/// The largest packet that is sent, with room for the headers.
const OUT_BYTES_MAX: usize = super::queue::PAYLOAD_OUT_BYTES_MAX + 128 * 1024;
/// How many messages the library keeps numbers for; far above what we send without an
/// acknowledgement, so that a broker that acknowledges out of order brings no collision.
const NUMBERS: u16 = 64;

/// A version of MQTT.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Version {
    /// MQTT 3.1.1.
    ThreeOneOne,
    /// MQTT 5.
    Five,
}

impl std::fmt::Display for Version {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Version::ThreeOneOne => "MQTT 3.1.1",
            Version::Five => "MQTT 5",
        })
    }
}

/// What a connection is to the broker.
#[derive(Debug, Clone)]
pub(super) struct Identity {
    pub client_id: String,
    pub will: Option<Will>,
}

/// What the broker says for us when we fall silent.
#[derive(Debug, Clone)]
pub(super) struct Will {
    pub topic: String,
    pub payload: Vec<u8>,
    pub retained: bool,
}

/// What a connection has to tell.
#[derive(Debug)]
pub(super) enum Occurrence {
    /// The broker acknowledged a message; with a reason where it did not take it.
    Acknowledged { number: u16, refused: Option<String> },
    /// The broker let us in.
    Connected(Terms),
    /// Our farewell is on its way.
    Disconnected,
    /// Something that only shows that the broker lives.
    Heard,
    /// A message came in.
    Message(Incoming),
    /// The broker acknowledged a subscription, filter by filter.
    Subscribed { number: u16, granted: Vec<bool> },
    /// A message is on its way under this number; they go in the order given.
    Sent { number: u16 },
    /// A subscription is on its way under this number; they go in the order given.
    SentSubscription { number: u16 },
    /// Something went out that needs no attention.
    SentOther,
}

/// What the broker asks of this connection.
#[derive(Debug, Clone, Copy)]
pub(super) struct Terms {
    /// The largest packet that it takes, in bytes.
    pub packet_bytes_max: usize,
    /// How often it wants to hear from us.
    pub keep_alive: Duration,
}

/// A message as it came in.
#[derive(Debug)]
pub(super) struct Incoming {
    pub topic: String,
    pub payload: Vec<u8>,
    pub retained: bool,
    pub response: Option<(String, Option<Vec<u8>>)>,
}

/// The half that gives orders; it never waits.
pub(super) enum Pen {
    Five(v5::AsyncClient),
    Three(v3::AsyncClient),
}

/// The half that does the work while it is polled.
pub(super) enum Wire {
    Five(Box<v5::EventLoop>, Duration),
    Three(Box<v3::EventLoop>),
}

/// Prepares a connection; it is made when the wire is first polled. At most `capacity` orders wait.
///
/// Each connection starts afresh: what was not acknowledged on the last one comes again from our
/// own queue, since the library drops it where the broker kept no session.
pub(super) fn open(
    access: &Access,
    identity: &Identity,
    version: Version,
    pace: Pace,
    capacity: usize,
) -> Result<(Pen, Wire), Fault> {
    let login = access.login.as_ref();
    let login = login.map(|login| Ok((login.username.clone(), login.password()?)));
    let login = login.transpose().map_err(|error: super::LinkError| Fault::file(&error))?;
    let transport = match &access.tls {
        Some(config) => {
            Transport::tls_with_config(rumqttc::TlsConfiguration::Rustls(config.clone()))
        }
        None => Transport::Tcp,
    };
    Ok(match version {
        Version::Five => open_5(access, identity, login, transport, pace, capacity),
        Version::ThreeOneOne => open_3(access, identity, login, transport, pace, capacity),
    })
}

fn open_5(
    access: &Access,
    identity: &Identity,
    login: Option<(String, String)>,
    transport: Transport,
    pace: Pace,
    capacity: usize,
) -> (Pen, Wire) {
    let mut options =
        v5::MqttOptions::new(identity.client_id.as_str(), access.host.as_str(), access.port);
    options
        .set_transport(transport)
        .set_keep_alive(pace.keep_alive)
        .set_clean_start(true)
        .set_connection_timeout(pace.connect.as_secs().max(1))
        .set_max_packet_size(Some(IN_BYTES_MAX_5))
        // The default of 65,535 numbers costs megabytes for each connection.
        .set_outgoing_inflight_upper_limit(NUMBERS);
    let mut network = v3::NetworkOptions::new();
    network.set_tcp_nodelay(true);
    options.set_network_options(network);
    if let Some((username, password)) = login {
        options.set_credentials(username, password);
    }
    if let Some(will) = &identity.will {
        options.set_last_will(v5::mqttbytes::v5::LastWill::new(
            will.topic.as_str(),
            will.payload.clone(),
            v5::mqttbytes::QoS::AtLeastOnce,
            will.retained,
            None,
        ));
    }
    let (client, wire) = v5::AsyncClient::new(options, capacity);
    (Pen::Five(client), Wire::Five(Box::new(wire), pace.keep_alive))
}

fn open_3(
    access: &Access,
    identity: &Identity,
    login: Option<(String, String)>,
    transport: Transport,
    pace: Pace,
    capacity: usize,
) -> (Pen, Wire) {
    let mut options =
        v3::MqttOptions::new(identity.client_id.as_str(), access.host.as_str(), access.port);
    options
        .set_transport(transport)
        .set_keep_alive(pace.keep_alive)
        .set_clean_session(true)
        .set_max_packet_size(IN_BYTES_MAX_3, OUT_BYTES_MAX)
        .set_inflight(NUMBERS);
    if let Some((username, password)) = login {
        options.set_credentials(username, password);
    }
    if let Some(will) = &identity.will {
        options.set_last_will(v3::LastWill::new(
            will.topic.as_str(),
            will.payload.clone(),
            v3::QoS::AtLeastOnce,
            will.retained,
        ));
    }
    let (client, mut wire) = v3::AsyncClient::new(options, capacity);
    let mut network = v3::NetworkOptions::new();
    network.set_tcp_nodelay(true);
    network.set_connection_timeout(pace.connect.as_secs().max(1));
    wire.set_network_options(network);
    (Pen::Three(client), Wire::Three(Box::new(wire)))
}

impl Pen {
    /// Orders a message; false where the library cannot take it.
    pub fn publish(&self, message: &Waiting, now: Instant) -> bool {
        let outgoing = &message.outgoing;
        let (topic, payload) = (outgoing.topic.as_str(), outgoing.payload.clone());
        match self {
            Pen::Five(client) => {
                let properties = v5::mqttbytes::v5::PublishProperties {
                    message_expiry_interval: message.left(now).map(seconds_up),
                    correlation_data: message.correlation.clone().map(Into::into),
                    ..Default::default()
                };
                let qos = v5::mqttbytes::QoS::AtLeastOnce;
                client
                    .try_publish_with_properties(topic, qos, outgoing.retained, payload, properties)
                    .is_ok()
            }
            Pen::Three(client) => {
                client.try_publish(topic, v3::QoS::AtLeastOnce, outgoing.retained, payload).is_ok()
            }
        }
    }

    /// Orders a subscription; false where the library cannot take it.
    pub fn subscribe(&self, filters: &[String]) -> bool {
        match self {
            Pen::Five(client) => {
                let filters = filters.iter().map(|filter| {
                    v5::mqttbytes::v5::Filter::new(filter.as_str(), v5::mqttbytes::QoS::AtLeastOnce)
                });
                client.try_subscribe_many(filters).is_ok()
            }
            Pen::Three(client) => {
                let filters = filters
                    .iter()
                    .map(|filter| v3::SubscribeFilter::new(filter.clone(), v3::QoS::AtLeastOnce));
                client.try_subscribe_many(filters).is_ok()
            }
        }
    }

    /// Orders the farewell, on which the broker forgets our will.
    pub fn disconnect(&self) -> bool {
        match self {
            Pen::Five(client) => client.try_disconnect().is_ok(),
            Pen::Three(client) => client.try_disconnect().is_ok(),
        }
    }
}

impl Wire {
    /// The next thing that happens. Not to be dropped half-way while the connection is to live on.
    pub async fn next(&mut self) -> Result<Occurrence, Fault> {
        match self {
            Wire::Five(wire, wanted) => {
                let event = wire.poll().await.map_err(|error| Fault::of_5(&error))?;
                let occurrence = of_event_5(event, *wanted)?;
                // A broker's zero means none; the library would take it for no pause at all.
                if wire.options.keep_alive().is_zero() {
                    wire.options.set_keep_alive(*wanted);
                }
                Ok(occurrence)
            }
            Wire::Three(wire) => {
                let wanted = wire.mqtt_options.keep_alive();
                let event = wire.poll().await.map_err(|error| Fault::of_3(&error))?;
                Ok(of_event_3(event, wanted))
            }
        }
    }
}

fn of_event_5(event: v5::Event, wanted: Duration) -> Result<Occurrence, Fault> {
    use v5::mqttbytes::v5::{Packet, PubAckReason, SubscribeReasonCode};
    Ok(match event {
        v5::Event::Incoming(Packet::ConnAck(ack)) => {
            let properties = ack.properties.as_ref();
            if properties.and_then(|p| p.max_qos) == Some(0) {
                return Err(Fault::needs("the quality of service 1"));
            }
            if properties.and_then(|p| p.retain_available) == Some(0) {
                return Err(Fault::needs("retained messages"));
            }
            let asked = properties.and_then(|p| p.server_keep_alive).filter(|secs| *secs > 0);
            let most = properties.and_then(|p| p.max_packet_size);
            Occurrence::Connected(Terms {
                packet_bytes_max: most.map_or(OUT_BYTES_MAX, |most| most as usize),
                keep_alive: asked.map_or(wanted, |secs| Duration::from_secs(u64::from(secs))),
            })
        }
        v5::Event::Incoming(Packet::Publish(publish)) => {
            let response = publish.properties.and_then(|properties| {
                let data = properties.correlation_data.map(|data| data.to_vec());
                properties.response_topic.map(|topic| (topic, data))
            });
            Occurrence::Message(Incoming {
                topic: String::from_utf8_lossy(&publish.topic).into_owned(),
                payload: publish.payload.to_vec(),
                retained: publish.retain,
                response,
            })
        }
        v5::Event::Incoming(Packet::PubAck(ack)) => {
            let taken =
                matches!(ack.reason, PubAckReason::Success | PubAckReason::NoMatchingSubscribers);
            let refused = (!taken).then(|| spaced(&format!("{:?}", ack.reason)));
            Occurrence::Acknowledged { number: ack.pkid, refused }
        }
        v5::Event::Incoming(Packet::SubAck(ack)) => Occurrence::Subscribed {
            number: ack.pkid,
            granted: ack
                .return_codes
                .iter()
                .map(|code| matches!(code, SubscribeReasonCode::Success(_)))
                .collect(),
        },
        v5::Event::Incoming(_) => Occurrence::Heard,
        v5::Event::Outgoing(done) => of_done(&done),
    })
}

fn of_event_3(event: v3::Event, keep_alive: Duration) -> Occurrence {
    match event {
        v3::Event::Incoming(v3::Packet::ConnAck(_)) => {
            Occurrence::Connected(Terms { packet_bytes_max: OUT_BYTES_MAX, keep_alive })
        }
        v3::Event::Incoming(v3::Packet::Publish(publish)) => Occurrence::Message(Incoming {
            topic: publish.topic,
            payload: publish.payload.to_vec(),
            retained: publish.retain,
            response: None,
        }),
        v3::Event::Incoming(v3::Packet::PubAck(ack)) => {
            Occurrence::Acknowledged { number: ack.pkid, refused: None }
        }
        v3::Event::Incoming(v3::Packet::SubAck(ack)) => Occurrence::Subscribed {
            number: ack.pkid,
            granted: ack
                .return_codes
                .iter()
                .map(|code| matches!(code, v3::SubscribeReasonCode::Success(_)))
                .collect(),
        },
        v3::Event::Incoming(_) => Occurrence::Heard,
        v3::Event::Outgoing(done) => of_done(&done),
    }
}

fn of_done(done: &Done) -> Occurrence {
    match done {
        Done::Publish(number) => Occurrence::Sent { number: *number },
        Done::Subscribe(number) => Occurrence::SentSubscription { number: *number },
        Done::Disconnect => Occurrence::Disconnected,
        _ => Occurrence::SentOther,
    }
}

/// Whole seconds, never fewer than one: the protocol knows no smaller ones.
fn seconds_up(left: Duration) -> u32 {
    let secs = left.as_secs().saturating_add(u64::from(left.subsec_nanos() > 0));
    u32::try_from(secs.max(1)).unwrap_or(u32::MAX)
}

/// `NotAuthorized` as `not authorized`.
pub(super) fn spaced(name: &str) -> String {
    let mut text = String::new();
    for letter in name.chars() {
        if letter.is_uppercase() && !text.is_empty() {
            text.push(' ');
        }
        text.extend(letter.to_lowercase());
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn seconds_are_rounded_up_and_never_zero() {
        assert_eq!(seconds_up(Duration::ZERO), 1);
        assert_eq!(seconds_up(Duration::from_millis(1001)), 2);
        assert_eq!(seconds_up(Duration::from_secs(180)), 180);
        assert_eq!(seconds_up(Duration::MAX), u32::MAX);
    }

    #[test]
    fn reasons_become_words() {
        assert_eq!(spaced("NotAuthorized"), "not authorized");
        assert_eq!(spaced("Success"), "success");
    }
}
