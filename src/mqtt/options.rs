//! What the client is started with, checked before it sees it: some settings make it panic, others can never work.

use super::Trouble;
use super::link::{NOT_WATCHING, Pace, Wish};
use super::settings::Broker;
use crate::tls;
use rumqttc::{LastWill, MqttOptions, QoS, TlsConfiguration, Transport};
use std::sync::Arc;
use std::time::Duration;

pub(super) fn options(broker: &Broker, wish: &Wish, pace: &Pace) -> Result<MqttOptions, Trouble> {
    if wish.client_id.is_empty() || broker.host.is_empty() || broker.port == 0 {
        return Err(Trouble::Settings("the broker needs a host, a port and a client id".into()));
    }
    // With TLS the client holds the host against the certificate, which names an address without brackets; it is found so, too.
    let bracketed = broker.host.contains(':') && !broker.tls;
    let host = if bracketed { format!("[{}]", broker.host) } else { broker.host.clone() };
    let mut options = MqttOptions::new(&wish.client_id, host, broker.port);
    options
        .set_keep_alive(Duration::from_secs(pace.keep_alive_s.max(1).into()))
        .set_clean_session(true)
        .set_max_packet_size(pace.largest_packet, pace.largest_packet);
    if broker.tls {
        let config = tls::client(broker.ca_pem.as_deref(), broker.identity.as_ref()).map_err(Trouble::Settings)?;
        options.set_transport(Transport::tls_with_config(TlsConfiguration::Rustls(Arc::new(config))));
    }
    match (&broker.user, &broker.password) {
        (Some(user), password) => {
            options.set_credentials(user, password.as_ref().map_or("", |password| password.expose()));
        }
        (None, Some(_)) => return Err(Trouble::Settings("a password for the broker needs a user".into())),
        (None, None) => {}
    }
    if let Some(topic) = &wish.presence {
        if !rumqttc::valid_topic(topic) || topic.is_empty() {
            return Err(Trouble::Settings(format!("nothing can be published on {topic:?}")));
        }
        options.set_last_will(LastWill::new(topic, NOT_WATCHING, QoS::AtLeastOnce, true));
    }
    Ok(options)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::terms::secret::Secret;

    fn broker() -> Broker {
        Broker {
            tls: false,
            host: "127.0.0.1".into(),
            port: 1883,
            user: None,
            password: None,
            ca_pem: None,
            identity: None,
        }
    }

    #[test]
    fn settings_that_would_panic_or_never_work_are_refused_in_words() {
        let wish = |presence: Option<&str>| Wish {
            client_id: "warmside-1".into(),
            filters: vec!["a/+".into()],
            presence: presence.map(String::from),
        };
        let no_keep_alive = Pace { keep_alive_s: 0, ..Pace::default() };
        // None would be no pings at all.
        let made = options(&broker(), &wish(Some("w/state")), &no_keep_alive).unwrap();
        assert_eq!(made.keep_alive(), Duration::from_secs(1));
        let cases = [
            (Broker { host: String::new(), ..broker() }, wish(None), "needs a host"),
            (Broker { port: 0, ..broker() }, wish(None), "needs a host"),
            (Broker { password: Some(Secret::new("hush")), ..broker() }, wish(None), "needs a user"),
            (Broker { tls: true, ca_pem: Some(b"no pem".to_vec()), ..broker() }, wish(None), "ca_file"),
            (broker(), wish(Some("w/#")), "published"),
        ];
        for (broker, wish, words) in cases {
            let text = options(&broker, &wish, &Pace::default()).map(|_| ()).unwrap_err().to_string();
            assert!(text.contains(words), "{text}");
            assert!(!text.contains("hush"));
        }
    }
}
