//! What an `[[mqtt]]` table may say and what is refused, each by its key.

use serde_json::{Value, json};

use super::check::filters_overlap;
use super::*;

fn table(changes: &Value, subscriptions: &Value) -> MqttTable {
    let mut table = json!({"name": "yard", "host": "127.0.0.1", "subscription": subscriptions});
    let fields = table.as_object_mut().expect("an object");
    fields.extend(changes.as_object().expect("an object").clone());
    serde_json::from_value(table).expect("known keys")
}

fn plain() -> Value {
    json!([{"topic": "beds/+/+", "payload": "plain", "channel": "{2}/{3}"}])
}

#[test]
fn each_form_goes_to_the_connection_that_fits_its_clock() {
    let subscriptions = json!([
        {"topic": "a/+", "payload": "plain", "channel": "{2}"},
        {"topic": "b/+", "payload": "json", "channel": "{2}", "value_pointer": "/v"},
        {"topic": "c/+", "payload": "json", "channel": "{2}", "value_pointer": "/v",
         "time_pointer": "/t"},
        {"topic": "d/#", "payload": "senml"},
        {"topic": "e/#", "payload": "senml", "clock": "arrival"},
    ]);
    let source = table(&json!({}), &subscriptions)
        .check()
        .expect("a good table");
    let filters = |subscriptions: &[Subscription]| {
        subscriptions
            .iter()
            .map(|one| one.filter.clone())
            .collect::<Vec<_>>()
    };
    assert_eq!(filters(&source.clocked), ["c/+", "d/#"]);
    assert_eq!(filters(&source.clockless), ["a/+", "b/+", "e/#"]);
    assert_eq!(source.source_names(), ["yard", "yard (no clock)"]);
}

#[test]
fn a_wrong_value_is_named_by_its_key() {
    let cases = [
        (json!({"name": ""}), "name"),
        (json!({"host": " "}), "host"),
        (json!({"port": 0}), "port"),
        (json!({"client_id": ""}), "client_id"),
        (json!({"client_id": "a b"}), "client_id"),
        (json!({"keep_alive_s": 1}), "keep_alive_s"),
        (json!({"max_packet_bytes": 10}), "max_packet_bytes"),
        (json!({"subscription": []}), "subscription"),
        (
            json!({"password_env": "TARPLIGHT_TEST_NO_SUCH_VARIABLE"}),
            "password_env",
        ),
        (
            json!({"password_file": "/nonexistent/password"}),
            "password_file",
        ),
        (json!({"password_file": "/dev/null"}), "username"),
        (
            json!({"password_file": "/dev/null", "password_env": "X"}),
            "password_env",
        ),
    ];
    for (changes, key) in cases {
        let error = table(&changes, &plain()).check().expect_err(key);
        assert_eq!(error.key, key, "{error}");
    }
}

#[test]
fn a_wrong_subscription_is_named_by_its_place_and_key() {
    let cases = [
        (json!({"topic": "a/#/b", "payload": "senml"}), "topic"),
        (json!({"topic": "", "payload": "senml"}), "topic"),
        (json!({"topic": "$SYS/#", "payload": "senml"}), "topic"),
        (json!({"topic": "a", "payload": "plain"}), "channel"),
        (
            json!({"topic": "a", "payload": "plain", "channel": "{2}"}),
            "channel",
        ),
        (
            json!({"topic": "a", "payload": "plain", "channel": "{name}"}),
            "channel",
        ),
        (
            json!({"topic": "a", "payload": "plain", "channel": "x", "clock": "arrival"}),
            "clock",
        ),
        (
            json!({"topic": "a", "payload": "plain", "channel": "x", "zone": "utc"}),
            "zone",
        ),
        (
            json!({"topic": "a", "payload": "senml", "unit": "F"}),
            "unit",
        ),
        (
            json!({"topic": "a", "payload": "senml", "fault_words": {" ": "open"}}),
            "fault_words",
        ),
        (
            json!({"topic": "a", "payload": "json", "channel": "x"}),
            "value_pointer",
        ),
        (
            json!({"topic": "a", "payload": "json", "channel": "x", "value_pointer": "v"}),
            "value_pointer",
        ),
        (
            json!({"topic": "a", "payload": "json", "channel": "x", "value_pointer": "/v",
                "time": "epoch-s"}),
            "time_pointer",
        ),
        (
            json!({"topic": "a", "payload": "json", "channel": "x", "value_pointer": "/v",
                "time_pointer": "/t", "time": "noon"}),
            "time",
        ),
        (
            json!({"topic": "a", "payload": "json", "channel": "x", "value_pointer": "/v",
                "name_pointer": "/n"}),
            "name_pointer",
        ),
    ];
    for (subscription, key) in cases {
        let error = table(&json!({}), &json!([subscription]))
            .check()
            .expect_err(key);
        assert!(error.key.starts_with("subscription 1 ("), "{error}");
        assert!(error.key.ends_with(&format!("): {key}")), "{error}");
    }
}

#[test]
fn unknown_keys_are_refused_in_both_tables() {
    let unknown = json!({"name": "a", "host": "b", "hots": "c"});
    assert!(serde_json::from_value::<MqttTable>(unknown).is_err());
    let unknown = json!({"topic": "a", "payload": "plain", "chanel": "c"});
    assert!(serde_json::from_value::<SubscriptionTable>(unknown).is_err());
}

#[test]
fn an_ipv6_address_is_put_in_brackets() {
    let source = table(&json!({"host": "::1"}), &plain())
        .check()
        .expect("a good table");
    assert_eq!(source.host, "[::1]");
}

#[test]
fn filters_that_share_a_topic_are_seen() {
    let cases = [
        ("a/+", "a/b", true),
        ("a/#", "a", true),
        ("a/#", "a/b/c", true),
        ("#", "x", true),
        ("+/b", "a/+", true),
        ("a/+", "b/+", false),
        ("a/+", "a/b/c", false),
        ("a/b", "a", false),
    ];
    for (one, other, expected) in cases {
        assert_eq!(filters_overlap(one, other), expected, "{one} {other}");
        assert_eq!(filters_overlap(other, one), expected, "{other} {one}");
    }
    let overlapping = json!([
        {"topic": "a/+", "payload": "plain", "channel": "{2}"},
        {"topic": "a/b", "payload": "plain", "channel": "{2}"},
    ]);
    let error = table(&json!({}), &overlapping)
        .check()
        .expect_err("an overlap");
    assert_eq!(error.key, "subscription");
}

#[test]
fn one_client_id_is_not_used_twice_at_one_broker() {
    let twice = vec![
        table(&json!({}), &plain()),
        table(&json!({"name": "other"}), &plain()),
    ];
    assert_eq!(check_mqtt(twice).expect_err("one id").key, "client_id");
    let apart = vec![
        table(&json!({}), &plain()),
        table(
            &json!({"name": "other", "client_id": "tarplight-2"}),
            &plain(),
        ),
    ];
    assert_eq!(check_mqtt(apart).expect("two good tables").len(), 2);
}

#[test]
fn a_password_is_read_from_its_file_and_never_shown() {
    let file = tempfile::NamedTempFile::new().expect("a file");
    std::fs::write(file.path(), "plover\n").expect("a written file");
    let changes = json!({"username": "daemon", "password_file": file.path()});
    let source = table(&changes, &plain()).check().expect("a good table");
    assert_eq!(
        source.login.as_ref().map(|login| login.password.as_str()),
        Some("plover")
    );
    assert!(!format!("{source:?}").contains("plover"));
}
