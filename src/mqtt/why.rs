//! The client's errors in words that an operator can act on.

use super::Trouble;
use rumqttc::{ConnectReturnCode, ConnectionError, StateError, mqttbytes};

/// The client's error in words.
pub(super) fn why(error: &ConnectionError, connected: bool) -> Trouble {
    match error {
        ConnectionError::MqttState(StateError::Deserialization(mqttbytes::Error::PayloadSizeLimitExceeded(bytes))) => {
            Trouble::Oversize { bytes: *bytes }
        }
        ConnectionError::ConnectionRefused(code) => Trouble::Refused(refusal(code).into()),
        ConnectionError::NetworkTimeout => Trouble::Connect("no answer in time".into()),
        ConnectionError::Tls(e) => Trouble::Connect(format!("TLS: {e}")),
        ConnectionError::MqttState(StateError::AwaitPingResp) => Trouble::Broken("it no longer answers".into()),
        ConnectionError::MqttState(StateError::ConnectionAborted) if connected => {
            Trouble::Broken("closed by the broker".into())
        }
        ConnectionError::MqttState(StateError::ConnectionAborted) => {
            Trouble::Connect("it closes without a word".into())
        }
        other if connected => Trouble::Broken(other.to_string()),
        ConnectionError::Io(e) => Trouble::Connect(e.to_string()),
        other => Trouble::Connect(other.to_string()),
    }
}

/// The return codes of MQTT 3.1.1, section 3.2.2.3.
fn refusal(code: &ConnectReturnCode) -> &'static str {
    use ConnectReturnCode as Code;
    match code {
        Code::Success => "it does not say why",
        Code::RefusedProtocolVersion => "it does not speak MQTT 3.1.1",
        Code::BadClientId => "it does not like our client id",
        Code::ServiceUnavailable => "it is not available",
        Code::BadUserNamePassword => "user or password is wrong",
        Code::NotAuthorized => "we are not authorised",
    }
}
