//! A client that only speaks, as a sensor does: what the demo's invented house publishes with.

use super::link::Pace;
use super::options::options;
use super::settings::Broker;
use super::{Trouble, link::Wish};
use rumqttc::{AsyncClient, QoS};
use std::time::Duration;
use tokio::task::JoinHandle;

/// A connection that publishes. Dropping it ends it.
#[derive(Debug)]
pub struct Sensor {
    client: AsyncClient,
    poll: JoinHandle<()>,
}

impl Sensor {
    /// Connects in the background, and again after a loss.
    pub fn start(broker: &Broker, client_id: &str) -> Result<Sensor, Trouble> {
        let wish = Wish { client_id: client_id.into(), filters: Vec::new(), presence: None };
        let (client, mut events) = AsyncClient::new(options(broker, &wish, &Pace::default())?, 64);
        let poll = tokio::spawn(async move {
            loop {
                if events.poll().await.is_err() {
                    tokio::time::sleep(Duration::from_millis(500)).await;
                }
            }
        });
        Ok(Sensor { client, poll })
    }

    /// Says a value, at QoS 1 and not retained, as soon as the connection takes it.
    pub async fn say(&self, topic: &str, payload: impl Into<Vec<u8>>) {
        // The client outlives its polling task only while this value is dropped.
        let _ = self.client.publish(topic, QoS::AtLeastOnce, false, payload).await;
    }
}

impl Drop for Sensor {
    fn drop(&mut self) {
        self.poll.abort();
    }
}
