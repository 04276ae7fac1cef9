//! The built-in broker as the sensors of a house meet it: MQTT 3.1.1 clients, retained messages, wildcards, a login.
#![cfg(feature = "builtin-broker")]

use rumqttc::{AsyncClient, ConnectReturnCode, ConnectionError, Event, EventLoop, MqttOptions, Packet, QoS};
use std::net::SocketAddr;
use std::time::Duration;
use tokio::time::timeout;
use warmside::mqtt::builtin::Builtin;
use warmside::mqtt::link::{Link, Pace, Wish};
use warmside::mqtt::settings::{Broker, BuiltinBroker};
use warmside::mqtt::{Inbox, Incoming};
use warmside::terms::secret::Secret;

const PATIENCE: Duration = Duration::from_secs(60);

async fn builtin(login: Option<(&str, &str)>) -> Builtin {
    let login = login.map(|(user, password)| (user.to_string(), Secret::new(password)));
    Builtin::start(&BuiltinBroker { listen: SocketAddr::from(([127, 0, 0, 1], 0)), login }).await.expect("starts")
}

fn link(to: SocketAddr, login: Option<(&str, &str)>, filters: &[&str]) -> (Link, Inbox) {
    let broker = Broker {
        tls: false,
        host: to.ip().to_string(),
        port: to.port(),
        user: login.map(|(user, _)| user.into()),
        password: login.map(|(_, password)| Secret::new(password)),
        ca_pem: None,
        identity: None,
    };
    let filters = filters.iter().map(|filter| filter.to_string()).collect();
    let wish = Wish { client_id: "warmside-test".into(), filters, presence: Some("warmside/state/watcher".into()) };
    Link::start(&broker, wish, Pace::default(), warmside::clock::ticks).expect("sound settings")
}

/// A sensor: any other client. Its polling goes on in a task of its own.
async fn sensor(to: SocketAddr, id: &str, login: Option<(&str, &str)>) -> Result<AsyncClient, ConnectionError> {
    let mut options = MqttOptions::new(id, to.ip().to_string(), to.port());
    if let Some((user, password)) = login {
        options.set_credentials(user, password);
    }
    let (client, mut events) = AsyncClient::new(options, 64);
    match timeout(PATIENCE, events.poll()).await.expect("an answer") {
        Ok(Event::Incoming(Packet::ConnAck(_))) => {}
        Ok(other) => panic!("{other:?}"),
        Err(e) => return Err(e),
    }
    tokio::spawn(async move { while events.poll().await.is_ok() {} });
    Ok(client)
}

async fn next(inbox: &mut Inbox) -> Incoming {
    timeout(PATIENCE, inbox.next()).await.expect("news in time").expect("the link lives")
}

#[tokio::test]
async fn a_house_is_heard_through_it() {
    let broker = builtin(None).await;
    let sensor = sensor(broker.address(), "sensor-1", None).await.expect("comes in");
    sensor.publish("rack/a1/warm_side/temperature", QoS::AtLeastOnce, true, "31.2").await.expect("sent");
    // Heard by a subscriber, it is certainly kept for the next one.
    let (_first, mut first) = link(broker.address(), None, &["rack/+/+/temperature"]);
    while !matches!(next(&mut first).await, Incoming::Message(_)) {}

    let mut second = second_listener(broker.address()).await;
    let mut got = Vec::new();
    while got.len() < 2 {
        if let Event::Incoming(Packet::Publish(p)) =
            timeout(PATIENCE, second.poll()).await.expect("in time").expect("up")
        {
            got.push((p.topic, p.retain));
        }
    }
    got.sort();
    assert_eq!(got[0], ("rack/a1/warm_side/temperature".to_string(), true));
    // The presence that the first link published may have come before or after the second listener.
    assert_eq!(got[1].0, "warmside/state/watcher");

    for (topic, payload) in
        [("rack/a1/warm_side/temperature", "31.3"), ("rack/a1/x", "no"), ("rack/a2/w/temperature", "")]
    {
        sensor.publish(topic, QoS::AtLeastOnce, false, payload).await.expect("sent");
    }
    let Incoming::Message(live) = next(&mut first).await else { panic!("no message") };
    assert_eq!((live.payload.as_slice(), live.retained), (&b"31.3"[..], false));
    let Incoming::Message(empty) = next(&mut first).await else { panic!("no message") };
    assert_eq!((empty.topic.as_str(), empty.payload.len()), ("rack/a2/w/temperature", 0));
}

async fn second_listener(to: SocketAddr) -> EventLoop {
    let (client, mut events) = AsyncClient::new(MqttOptions::new("listener-2", to.ip().to_string(), to.port()), 64);
    client.subscribe("#", QoS::AtLeastOnce).await.expect("queued");
    while !matches!(timeout(PATIENCE, events.poll()).await.expect("in time"), Ok(Event::Incoming(Packet::SubAck(_)))) {}
    events
}

#[tokio::test]
async fn with_a_login_strangers_are_told_why() {
    let broker = builtin(Some(("ines", "warm"))).await;
    for login in [None, Some(("ines", "cold")), Some(("tom", "warm"))] {
        let refused = sensor(broker.address(), "stranger", login).await.map(|_| ());
        assert!(
            matches!(
                refused,
                Err(ConnectionError::ConnectionRefused(
                    ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized
                ))
            ),
            "{refused:?}"
        );
    }
    let (_link, mut inbox) = link(broker.address(), Some(("ines", "warm")), &["a"]);
    assert!(matches!(next(&mut inbox).await, Incoming::Up));
}

#[tokio::test]
async fn it_stops_when_told_and_its_port_is_free_again() {
    let broker = builtin(None).await;
    let address = broker.address();
    let (_link, mut inbox) = link(address, None, &["a"]);
    assert!(matches!(next(&mut inbox).await, Incoming::Up));
    broker.stop(PATIENCE).await;
    assert!(matches!(next(&mut inbox).await, Incoming::Lost(_)));
    // The same port: nothing of the first holds it.
    let again = Builtin::start(&BuiltinBroker { listen: address, login: None }).await.expect("starts again");
    while !matches!(next(&mut inbox).await, Incoming::Up) {}
    assert_eq!(again.address(), address);
}
