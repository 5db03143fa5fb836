//! Receivers that fail, hang, refuse and come back: a real server on loopback, a real program.

use super::*;
use quantity::Stamp;
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicUsize, Ordering};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

const PACE: Pace = Pace {
    burst: 3,
    refill: Duration::from_millis(400),
    urgent: Duration::from_millis(20),
    retry: (Duration::from_millis(10), Duration::from_millis(40)),
};

/// Long enough for a busy machine.
const PATIENCE: Duration = Duration::from_secs(30);

#[derive(Default)]
struct Book(BTreeMap<String, u64>);

impl Ledger for Book {
    fn told(&self, key: &str) -> Result<Option<u64>, StoreError> {
        Ok(self.0.get(key).copied())
    }

    fn note_told(&mut self, key: &str, seq: u64) -> Result<(), StoreError> {
        self.0.insert(key.to_owned(), seq);
        Ok(())
    }

    fn keep_told(&mut self, keys: &[String]) -> Result<(), StoreError> {
        self.0.retain(|key, _| keys.contains(key));
        Ok(())
    }
}

/// What the server does with a request.
#[derive(Clone, Copy)]
enum Does {
    Answer(&'static str),
    /// Reads it and says nothing.
    Hang,
    /// Cuts the connection.
    Cut,
}

/// A server that goes through `script` and then says yes; it sends on what it took.
async fn server(script: &'static [Does]) -> (String, mpsc::UnboundedReceiver<serde_json::Value>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = format!("http://{}/cellar?key=s3cret", listener.local_addr().unwrap());
    let (send, taken) = mpsc::unbounded_channel();
    tokio::spawn(async move {
        let count = AtomicUsize::new(0);
        while let Ok((stream, _)) = listener.accept().await {
            let does = script.get(count.fetch_add(1, Ordering::SeqCst)).copied();
            tokio::spawn(serve(
                stream,
                does.unwrap_or(Does::Answer("204 No Content")),
                send.clone(),
            ));
        }
    });
    (url, taken)
}

async fn serve(mut stream: TcpStream, does: Does, send: mpsc::UnboundedSender<serde_json::Value>) {
    let mut bytes = Vec::new();
    let body = loop {
        let mut part = [0; 4096];
        let count = stream.read(&mut part).await.unwrap();
        bytes.extend_from_slice(&part[..count]);
        let text = String::from_utf8_lossy(&bytes).into_owned();
        let Some((head, body)) = text.split_once("\r\n\r\n") else { continue };
        let length = head.lines().find_map(|line| {
            let (name, value) = line.split_once(':')?;
            name.eq_ignore_ascii_case("content-length").then(|| value.trim().parse().ok())?
        });
        assert!(head.starts_with("POST /cellar?key=s3cret HTTP/1.1"), "{head}");
        assert!(head.to_lowercase().contains("content-type: application/json"), "{head}");
        if length.is_none_or(|length: usize| body.len() >= length) {
            break body.to_owned();
        }
    };
    match does {
        Does::Cut => {}
        Does::Hang => std::future::pending().await,
        Does::Answer(status) => {
            if status.starts_with('2') {
                send.send(serde_json::from_str(&body).unwrap()).unwrap();
            }
            let answer = format!("HTTP/1.1 {status}\r\ncontent-length: 0\r\n\r\n");
            stream.write_all(answer.as_bytes()).await.unwrap();
        }
    }
}

fn tell(url: &str) -> Tell {
    let events = ["alarm.raised", "notice.due"].map(str::to_owned).to_vec();
    Tell { way: TellWay::Url(url.to_owned()), events }
}

fn record(seq: u64, kind: Kind) -> Record {
    Record {
        seq,
        at: Stamp::from_millis(1_772_000_000_000),
        vessel: None,
        batch: None,
        kind,
        text: format!("Text {seq}."),
        data: serde_json::Map::new(),
    }
}

fn notice(seq: u64) -> Record {
    record(seq, Kind::NoticeDue)
}

fn critical(seq: u64) -> Record {
    let mut record = record(seq, Kind::AlarmRaised);
    record.data.insert("priority".to_owned(), "critical".into());
    record
}

async fn take(taken: &mut mpsc::UnboundedReceiver<serde_json::Value>) -> serde_json::Value {
    tokio::time::timeout(PATIENCE, taken.recv()).await.expect("something is told").unwrap()
}

/// Hears what receivers find out until `enough`.
async fn hear_until(
    tells: &mut Tells,
    news: &mut mpsc::Receiver<FromTell>,
    book: &mut Book,
    mut enough: impl FnMut(&Tells, &Book) -> bool,
) {
    let hearing = async {
        while !enough(tells, book) {
            let heard = news.recv().await.expect("the tasks run");
            tells.hear(&heard, book, Stamp::from_millis(0));
        }
    };
    tokio::time::timeout(PATIENCE, hearing).await.expect("it is heard of");
}

#[tokio::test]
async fn what_fails_is_tried_again_in_order_until_it_is_taken() {
    let script = &[
        Does::Answer("500 Internal Server Error"),
        Does::Cut,
        Does::Answer("302 Found"),
        Does::Answer("429 Too Many Requests"),
    ];
    let (url, mut taken) = server(script).await;
    let mut book = Book::default();
    let (mut tells, mut news) = Tells::start_at(&[tell(&url)], Path::new(""), &mut book, 6, PACE);
    tells.offer(&notice(6));
    tells.offer(&record(7, Kind::SetpointMoved));
    tells.offer(&notice(8));
    tells.offer(&notice(9));
    hear_until(&mut tells, &mut news, &mut book, |tells, _| tells.standings()[0].problem.is_some())
        .await;
    let standing = tells.standings()[0].clone();
    assert!(standing.to.starts_with("http://127.0.0.1:") && !standing.to.contains("s3cret"));
    assert!(standing.problem.unwrap().contains("500 Internal Server Error"));
    for seq in [8, 9] {
        assert_eq!(take(&mut taken).await, serde_json::to_value(notice(seq)).unwrap());
    }
    hear_until(&mut tells, &mut news, &mut book, |_, book| book.0.values().eq([&9])).await;
    assert_eq!(tells.standings()[0].problem, None);
    assert_eq!(tells.standings()[0].failing_since, None);
    tells.end(&mut news, &mut book).await;
    assert!(taken.try_recv().is_err(), "each once");
}

#[tokio::test]
async fn one_that_hangs_or_refuses_holds_up_nobody_and_is_gone_on_from_after_a_restart() {
    let (hanging, mut late) = server(&[Does::Hang, Does::Hang, Does::Hang, Does::Hang]).await;
    let (well, mut taken) = server(&[Does::Answer("422 Unprocessable Content")]).await;
    let nobody = "http://127.0.0.1:9/";
    let (mut book, all) = (Book::default(), [tell(&hanging), tell(nobody), tell(&well)]);
    let (mut tells, mut news) = Tells::start_at(&all, Path::new(""), &mut book, 0, PACE);
    for seq in 1..=3 {
        tells.offer(&notice(seq));
    }
    // The first is of no use to it: it is not offered for ever.
    assert_eq!(take(&mut taken).await["seq"], 2);
    assert_eq!(take(&mut taken).await["seq"], 3);
    let keys = keys(&all);
    hear_until(&mut tells, &mut news, &mut book, |tells, book| {
        book.0[&keys[2]] == 3 && tells.standings()[1].problem.is_some()
    })
    .await;
    assert_eq!((book.0[&keys[0]], book.0[&keys[1]]), (0, 0), "nothing was taken");
    let began = Instant::now();
    tells.end(&mut news, &mut book).await;
    assert!(began.elapsed() < FAREWELL * 3, "an end waits for nobody for long");
    assert!(late.try_recv().is_err());
    // The one that refused the connection is left out and another is new.
    let (new, mut newly) = server(&[]).await;
    let again = [tell(&hanging), tell(&new)];
    let (tells, _news) = Tells::start_at(&again, Path::new(""), &mut book, 3, PACE);
    assert_eq!(book.0.keys().filter(|key| keys.contains(key)).count(), 1);
    for seq in 1..=4 {
        tells.offer(&notice(seq));
    }
    assert_eq!(take(&mut newly).await["seq"], 4, "a new one hears of nothing before it");
    assert_eq!(tells.receivers[0].shared.queue().next(4).unwrap().last_seq, 1);
}

#[tokio::test]
async fn a_flood_is_gathered_and_what_is_critical_does_not_wait() {
    let (url, mut taken) = server(&[]).await;
    let mut book = Book::default();
    let pace = Pace { refill: Duration::from_secs(3600), ..PACE };
    let (tells, _news) = Tells::start_at(&[tell(&url)], Path::new(""), &mut book, 0, pace);
    for seq in 1..=3 {
        tells.offer(&notice(seq));
        assert_eq!(take(&mut taken).await["seq"], seq);
    }
    for seq in 4..=40 {
        tells.offer(&notice(seq));
    }
    tokio::time::sleep(Duration::from_millis(100)).await;
    assert!(taken.try_recv().is_err(), "no more for an hour");
    tells.offer(&critical(41));
    let gathered = take(&mut taken).await;
    assert_eq!((&gathered["kind"], &gathered["seq"]), (&"tell.gathered".into(), &41.into()));
    assert_eq!(gathered["data"]["count"], 38);
    assert!(gathered["text"].as_str().unwrap().contains("notice.due. Text 41. Text 40."));
}

#[tokio::test]
async fn a_flood_is_told_in_one_message_once_there_is_room() {
    let (url, mut taken) = server(&[]).await;
    let mut book = Book::default();
    let (tells, _news) = Tells::start_at(&[tell(&url)], Path::new(""), &mut book, 0, PACE);
    for seq in 1..=3 {
        tells.offer(&notice(seq));
        assert_eq!(take(&mut taken).await["seq"], seq);
    }
    (4..=30).for_each(|seq| tells.offer(&notice(seq)));
    let mut heard = 3;
    let mut messages = 0;
    while heard < 30 {
        heard = take(&mut taken).await["seq"].as_u64().unwrap();
        messages += 1;
    }
    assert!(messages <= 2, "{messages} messages for 27 events");
}

#[test]
fn receivers_are_told_apart_by_way_and_events() {
    let one = tell("http://a.lan/x");
    let mut other = one.clone();
    other.events.pop();
    let program = Tell { way: TellWay::Run(vec!["http://a.lan/x".to_owned()]), ..one.clone() };
    let mut turned = one.clone();
    turned.events.reverse();
    let all = keys(&[one.clone(), other, program, one.clone()]);
    assert_eq!(all.iter().collect::<std::collections::BTreeSet<_>>().len(), 4);
    assert_eq!(keys(&[turned]), keys(&[one]), "the order of events says nothing");
    assert!(all.iter().all(|key| key.starts_with("told ") && !key.contains("a.lan")));
}
