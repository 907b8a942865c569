//! What the ear writes into the log of each piece of sound that it judges, as values.

use std::fmt::Debug;
use std::sync::Mutex;

use serde_json::{Map, Value, json};
use tracing::field::{Field, Visit};
use tracing::{Event, Level, Subscriber};
use tracing_subscriber::filter::Targets;
use tracing_subscriber::layer::{Context, Layer, SubscriberExt};
use tracing_subscriber::util::SubscriberInitExt;

static JUDGED: Mutex<Vec<Value>> = Mutex::new(Vec::new());

/// Keeps from now on what is judged.
pub fn begin() {
    let ear = Targets::new().with_target("sparehand::hear::ear", Level::DEBUG);
    tracing_subscriber::registry().with(Keeper.with_filter(ear)).init();
}

/// What was judged since it was asked for last.
pub fn take() -> Vec<Value> {
    std::mem::take(&mut JUDGED.lock().expect("nobody panics with it"))
}

struct Keeper;

impl<S: Subscriber> Layer<S> for Keeper {
    fn on_event(&self, event: &Event<'_>, _: Context<'_, S>) {
        let mut fields = Fields(Map::new());
        event.record(&mut fields);
        if fields.0.get("message").is_some_and(|message| message == "judged") {
            fields.0.remove("message");
            JUDGED.lock().expect("nobody panics with it").push(Value::Object(fields.0));
        }
    }
}

struct Fields(Map<String, Value>);

impl Visit for Fields {
    fn record_debug(&mut self, field: &Field, value: &dyn Debug) {
        self.0.insert(field.name().to_owned(), json!(format!("{value:?}")));
    }

    fn record_f64(&mut self, field: &Field, value: f64) {
        self.0.insert(field.name().to_owned(), json!(value));
    }

    fn record_str(&mut self, field: &Field, value: &str) {
        self.0.insert(field.name().to_owned(), json!(value));
    }
}
