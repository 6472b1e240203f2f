//! What a traced daemon read, wrote and made durable, in order, from the text of `strace -f -y -xx`.
//!
//! A call may be told in two halves when another thread comes between. Its place in the order is
//! then a span: bytes are sent from its beginning on, received or made durable only at its end.

use std::collections::BTreeMap;

/// The calls to be traced; every way in which bytes may reach a socket or a disk is among them.
pub const CALLS: &str = "read,readv,recvfrom,recvmsg,write,writev,sendto,sendmsg,fsync,fdatasync";

/// One call that succeeded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Call {
    /// Line on which it begins.
    pub begun: usize,
    /// Line on which it ends.
    pub ended: usize,
    /// Such as `sendto`.
    pub name: String,
    /// What its descriptor stands for: a path, or a socket's own name.
    pub on: String,
    /// The bytes read or written.
    pub bytes: Vec<u8>,
}

/// Every successful call of a trace, by the line on which it ends.
///
/// # Errors
/// The line that cannot be understood.
pub fn calls(trace: &str) -> Result<Vec<Call>, String> {
    let mut halves: BTreeMap<&str, (usize, &str)> = BTreeMap::new();
    let mut calls = Vec::new();
    for (number, line) in trace.lines().enumerate() {
        let Some((thread, rest)) = line.trim_start().split_once(' ') else {
            continue;
        };
        let rest = rest.trim_start();
        if rest.starts_with("+++") || rest.starts_with("---") {
            continue;
        }
        if let Some(half) = rest.strip_suffix("<unfinished ...>") {
            halves.insert(thread, (number, half));
            continue;
        }
        let (begun, text) = match rest.strip_prefix("<... ") {
            Some(resumed) => {
                let (_, second) = resumed
                    .split_once(" resumed>")
                    .ok_or_else(|| format!("line {}: resumed without a word", number + 1))?;
                // A call that was under way when the tracer came has no first half.
                let Some((begun, first)) = halves.remove(thread) else {
                    continue;
                };
                (begun, format!("{first}{second}"))
            }
            None => (number, rest.to_owned()),
        };
        let parsed = call(&text, begun, number)
            .map_err(|problem| format!("line {}: {problem}", number + 1))?;
        calls.extend(parsed);
    }
    Ok(calls)
}

/// `Ok(None)` where the call failed.
fn call(text: &str, begun: usize, ended: usize) -> Result<Option<Call>, String> {
    let (name, rest) = text.split_once('(').ok_or("no call")?;
    let (arguments, result) = rest.rsplit_once(" = ").ok_or("no result")?;
    let result = result.split_whitespace().next().unwrap_or_default();
    if result.starts_with('-') || result == "?" {
        return Ok(None);
    }
    let count: usize = result
        .parse()
        .map_err(|_| format!("the result {result} is no number"))?;
    // Every one of these calls has its descriptor first.
    let on = arguments
        .split_once('<')
        .and_then(|(_, rest)| rest.split_once('>'))
        .map_or(Ok(String::new()), |(on, _)| name_of(on))?;
    let mut bytes = hex_strings(arguments)?;
    if name.contains("sync") {
        bytes.clear();
    } else if bytes.len() < count {
        return Err(format!(
            "{} of {count} bytes are shown: trace longer strings",
            bytes.len()
        ));
    } else {
        bytes.truncate(count);
    }
    Ok(Some(Call {
        begun,
        ended,
        name: name.to_owned(),
        on,
        bytes,
    }))
}

/// A descriptor's name, which the option `-xx` shows as bytes too.
fn name_of(on: &str) -> Result<String, String> {
    if on.starts_with("\\x") {
        String::from_utf8(hex(on)?).map_err(|_| format!("{on} is no name"))
    } else {
        Ok(on.to_owned())
    }
}

/// The bytes of every `"\x30\x1a"` in a call's arguments, one after the other.
fn hex_strings(arguments: &str) -> Result<Vec<u8>, String> {
    let mut bytes = Vec::new();
    for quoted in arguments.split('"').skip(1).step_by(2) {
        bytes.extend(hex(quoted)?);
    }
    Ok(bytes)
}

fn hex(text: &str) -> Result<Vec<u8>, String> {
    text.split("\\x")
        .skip(1)
        .map(|pair| u8::from_str_radix(pair, 16).map_err(|_| format!("{pair} is no byte")))
        .collect()
}

/// What of a conversation with a broker matters here.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Packet {
    Publish { id: u16 },
    Acknowledged { id: u16 },
}

/// What the trace of one persistent session shows.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Durability {
    /// Acknowledgements that were sent.
    pub acknowledged_count: usize,
    /// One sentence for each that nothing made durable before it.
    pub too_early: Vec<String>,
}

/// Looks for a sync of `file` (its log included) that began after each message's receipt and ended
/// before its acknowledgement.
///
/// # Errors
/// A trace that cannot be understood or does not hold the session of `client_id`.
pub fn durability(trace: &str, client_id: &str, file: &str) -> Result<Durability, String> {
    let calls = calls(trace)?;
    let log = format!("{file}-wal");
    let syncs: Vec<&Call> = calls
        .iter()
        .filter(|call| call.name.contains("sync") && (call.on == file || call.on == log))
        .collect();
    // In the packet that opens a session its name stands behind its length.
    let length = u16::try_from(client_id.len()).map_err(|_| "the name is too long")?;
    let named = [&length.to_be_bytes(), client_id.as_bytes()].concat();
    let is_session = |call: &&Call| {
        let mut windows = call.bytes.windows(named.len());
        is_out(call) && call.bytes.first() == Some(&0x10) && windows.any(|one| one == named)
    };
    let session = calls
        .iter()
        .find(is_session)
        .ok_or_else(|| format!("nobody connects as {client_id}"))?
        .on
        .clone();
    let mut came: Vec<(usize, Packet)> = Vec::new();
    for is_out_wanted in [false, true] {
        let mut stream = Vec::new();
        let of_session = calls
            .iter()
            .filter(|call| call.on == session && !call.name.contains("sync"))
            .filter(|call| is_out(call) == is_out_wanted);
        for call in of_session {
            stream.extend_from_slice(&call.bytes);
            let at = if is_out_wanted {
                call.begun
            } else {
                call.ended
            };
            came.extend(take_packets(&mut stream)?.map(|packet| (at, packet)));
        }
    }
    came.sort_by_key(|(at, _)| *at);
    Ok(judge(&came, &syncs))
}

fn judge(came: &[(usize, Packet)], syncs: &[&Call]) -> Durability {
    let mut received: BTreeMap<u16, usize> = BTreeMap::new();
    let mut found = Durability::default();
    for (at, packet) in came {
        match packet {
            Packet::Publish { id } => {
                received.insert(*id, *at);
            }
            Packet::Acknowledged { id } => {
                found.acknowledged_count += 1;
                let is_durable = received.remove(id).is_some_and(|since| {
                    syncs
                        .iter()
                        .any(|sync| sync.begun > since && sync.ended < *at)
                });
                if !is_durable {
                    let line = at + 1;
                    let problem = format!("line {line}: message {id} was not synced before it");
                    found.too_early.push(problem);
                }
            }
        }
    }
    found
}

fn is_out(call: &Call) -> bool {
    call.name.starts_with("write") || call.name.starts_with("send")
}

/// Takes every whole packet off the front of a stream of MQTT 3.1.1.
fn take_packets(stream: &mut Vec<u8>) -> Result<impl Iterator<Item = Packet> + use<>, String> {
    let mut packets = Vec::new();
    while let Some((head, length)) = packet_size(stream)? {
        if stream.len() < head + length {
            break;
        }
        let packet: Vec<u8> = stream.drain(..head + length).collect();
        let body = &packet[head..];
        let number = |at: usize| {
            let pair = body.get(at..at + 2).ok_or("a packet ends too early")?;
            Ok::<u16, String>(u16::from_be_bytes([pair[0], pair[1]]))
        };
        match packet[0] >> 4 {
            // A message at quality of service 1 carries its number behind its topic.
            3 if packet[0] & 0b110 == 0b010 => {
                let id = number(2 + usize::from(number(0)?))?;
                packets.push(Packet::Publish { id });
            }
            4 => packets.push(Packet::Acknowledged { id: number(0)? }),
            _ => {}
        }
    }
    Ok(packets.into_iter())
}

/// How long the next packet's head and body are, once the head is there.
fn packet_size(stream: &[u8]) -> Result<Option<(usize, usize)>, String> {
    let mut length = 0;
    for (index, byte) in stream.iter().skip(1).take(4).enumerate() {
        length |= usize::from(byte & 0x7f) << (7 * index);
        if byte & 0x80 == 0 {
            return Ok(Some((index + 2, length)));
        }
    }
    if stream.len() > 4 {
        return Err("a packet's length has no end".to_owned());
    }
    Ok(None)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A session in which message 7 is synced and acknowledged, then message 8 only acknowledged.
    const TRACE: &str = r#"10 writev(9<socket:[5]>, [{iov_base="\x10\x05\x00", iov_len=3}, {iov_base="\x03\x78\x79\x7a", iov_len=4}], 2) = 7
11 fdatasync(4</d/x.sqlite3-wal> <unfinished ...>
10 recvfrom(9<socket:[5]>, "\x32\x05\x00\x01\x61\x00\x07", 4096, 0, NULL, NULL) = 7
11 <... fdatasync resumed>) = 0
11 fdatasync(4<\x2f\x64\x2f\x78\x2e\x73\x71\x6c\x69\x74\x65\x33> <unfinished ...>
10 recvfrom(9<socket:[5]>, 0x7f0000, 4096, 0, NULL, NULL) = -1 EAGAIN (Resource temporarily unavailable)
11 <... fdatasync resumed>) = 0
10 sendto(9<socket:[5]>, "\x40\x02\x00\x07", 4, MSG_NOSIGNAL, NULL, 0 <unfinished ...>
12 write(2</log>, "\x61", 1) = 1
10 <... sendto resumed>) = 4
10 recvfrom(9<socket:[5]>, "\x32\x05\x00\x01", 4096, 0, NULL, NULL) = 4
10 recvfrom(9<socket:[5]>, "\x61\x00\x08", 4096, 0, NULL, NULL) = 3
10 sendto(9<socket:[5]>, "\x40\x02\x00\x08", 4, MSG_NOSIGNAL, NULL, 0) = 4
10 +++ exited with 0 +++
"#;

    #[test]
    fn an_acknowledgement_without_a_sync_between_is_found() {
        let found = durability(TRACE, "xyz", "/d/x.sqlite3").expect("the trace is understood");
        assert_eq!(found.acknowledged_count, 2);
        assert_eq!(
            found.too_early,
            ["line 13: message 8 was not synced before it"]
        );
    }

    #[test]
    fn a_sync_that_began_before_the_message_came_proves_nothing() {
        let lines: Vec<&str> = TRACE.lines().collect();
        let without_second_sync = [&lines[..4], &lines[5..6], &lines[7..10]]
            .concat()
            .join("\n");
        let found = durability(&without_second_sync, "xyz", "/d/x.sqlite3").expect("understood");
        assert_eq!((found.acknowledged_count, found.too_early.len()), (1, 1));
    }

    #[test]
    fn a_sync_of_another_file_or_one_that_failed_proves_nothing() {
        let failed = TRACE.replace("resumed>) = 0", "resumed>) = -1 EIO (Input/output error)");
        for (trace, file) in [(TRACE, "/d/y.sqlite3"), (&failed, "/d/x.sqlite3")] {
            let found = durability(trace, "xyz", file).expect("understood");
            assert_eq!((found.acknowledged_count, found.too_early.len()), (2, 2));
        }
    }

    #[test]
    fn a_trace_of_somebody_else_or_with_cut_strings_is_refused() {
        for other in ["abc", "xy"] {
            assert!(durability(TRACE, other, "/d/x.sqlite3").is_err());
        }
        let cut = TRACE.replace("4096, 0, NULL, NULL) = 7", "4096, 0, NULL, NULL) = 70");
        let refused = durability(&cut, "xyz", "/d/x.sqlite3").expect_err("bytes are missing");
        assert!(refused.contains("trace longer strings"), "{refused}");
    }
}
