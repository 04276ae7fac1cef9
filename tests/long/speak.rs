//! What the sensors of a month say: thermostats' saw-teeth at full rate, one that talks rubbish, one who floods the commands' topic.

use rumqttc::{AsyncClient, MqttOptions, QoS};
use std::time::Duration;
use warmside::mqtt::settings::Broker;

/// Between two messages of a probe, by the house's clock.
pub const EVERY: Duration = Duration::from_secs(10);
/// Commands that are none, in an hour of the house's clock.
const REFUSED: i64 = 600;

/// Speaks for `whole`; returns how many messages were published.
pub async fn speak(broker: Broker, enclosures: i64, speed: i64, whole: Duration) -> u64 {
    let mut options = MqttOptions::new("sensors", &broker.host, broker.port);
    options.set_inflight(1_000);
    let (client, mut events) = AsyncClient::new(options, 10_000);
    let poll = tokio::spawn(async move {
        loop {
            // A busy machine may lose the connection; the next poll makes a new one.
            if events.poll().await.is_err() {
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
        }
    });
    let began = warmside::clock::ticks();
    let mut published = 0;
    let mut round = 0;
    loop {
        let due = EVERY * round / speed as u32;
        if due >= whole {
            break;
        }
        // A pause shorter than a timer's step is none.
        let early = due.saturating_sub(warmside::clock::ticks() - began);
        if early > Duration::from_millis(2) {
            tokio::time::sleep(early).await;
        }
        let s = i64::from(round) * EVERY.as_secs() as i64;
        for e in 0..enclosures {
            for (place, level) in [("warm_side", 30.0), ("cool_side", 24.0)] {
                let rubbish = e == 0 && place == "cool_side";
                let payload = if rubbish { format!("rubbish {s}") } else { format!("{:.2}", level + swing(s, e)) };
                say(&client, &format!("rack/e{e}/{place}/temperature"), payload).await;
                published += 1;
            }
        }
        if s % (3_600 / REFUSED) < EVERY.as_secs() as i64 {
            say(&client, "warmside/command", format!("open the door {s}")).await;
            published += 1;
        }
        round += 1;
    }
    poll.abort();
    published
}

async fn say(client: &AsyncClient, topic: &str, payload: String) {
    client.publish(topic, QoS::AtMostOnce, false, payload).await.expect("the client lives");
}

/// A thermostat's saw-tooth of forty minutes, and a little noise that never repeats for long.
fn swing(s: i64, enclosure: i64) -> f64 {
    let phase = (s + 300 * enclosure).rem_euclid(2_400) as f64 / 1_200.0;
    let tooth = if phase < 1.0 { phase } else { 2.0 - phase };
    let noise = ((s / 10 * 7_919 + enclosure * 104_729) % 13) as f64 / 100.0;
    1.5 * tooth - 0.75 + noise
}
