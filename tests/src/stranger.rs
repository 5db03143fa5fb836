//! A client of MQTT 3.1.1 that keeps no manners: bytes by hand, on loopback, from any of its
//! addresses. The packets are those of the OASIS standard, sections 3.1 to 3.14.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::{Duration, Instant};

/// A connection of somebody who does as he pleases.
pub struct Stranger {
    stream: TcpStream,
}

/// What the broker answered to a CONNECT.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer {
    /// It lets him in.
    In,
    /// It refuses, with this return code.
    Refused(u8),
    /// It hung up without a word.
    HungUp,
}

impl Stranger {
    /// Opens a connection and says nothing.
    ///
    /// # Errors
    /// Where nobody takes it.
    pub fn open(port: u16) -> std::io::Result<Self> {
        let stream = TcpStream::connect(SocketAddr::from(([127, 0, 0, 1], port)))?;
        stream.set_read_timeout(Some(Duration::from_secs(30)))?;
        Ok(Stranger { stream })
    }

    /// Says who he is, and gives the answer.
    pub fn enter(&mut self, id: &str, login: Option<(&str, &str)>) -> Answer {
        let mut body = vec![0, 4, b'M', b'Q', b'T', b'T', 4, 2, 0, 0];
        body[7] |= if login.is_some() { 0xc0 } else { 0 };
        push(&mut body, id.as_bytes());
        for text in login.iter().flat_map(|(name, password)| [name, password]) {
            push(&mut body, text.as_bytes());
        }
        if self.stream.write_all(&packet(0x10, &body)).is_err() {
            return Answer::HungUp;
        }
        let mut answer = [0; 4];
        match self.stream.read_exact(&mut answer) {
            Ok(()) if answer[..2] == [0x20, 2] && answer[3] == 0 => Answer::In,
            Ok(()) => Answer::Refused(answer[3]),
            Err(_) => Answer::HungUp,
        }
    }

    /// Publishes with quality of service 0.
    ///
    /// # Errors
    /// Where the broker hung up.
    pub fn publish(&mut self, topic: &str, payload: &[u8], retain: bool) -> std::io::Result<()> {
        let mut body = Vec::new();
        push(&mut body, topic.as_bytes());
        body.extend(payload);
        self.stream.write_all(&packet(0x30 | u8::from(retain), &body))
    }

    /// Asks for all of these; does not read the answer.
    ///
    /// # Errors
    /// Where the broker hung up.
    pub fn subscribe(&mut self, filters: &[&str]) -> std::io::Result<()> {
        let mut body = vec![0, 1];
        for filter in filters {
            push(&mut body, filter.as_bytes());
            body.push(1);
        }
        self.stream.write_all(&packet(0x82, &body))
    }

    /// Whether the broker hangs up within this time.
    pub fn is_cut(&mut self, within: Duration) -> bool {
        let began = Instant::now();
        let mut bytes = [0; 1024];
        while began.elapsed() < within {
            match self.stream.read(&mut bytes) {
                Ok(0) => return true,
                Ok(_) => {}
                Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => return false,
                Err(_) => return true,
            }
        }
        false
    }

    /// Whether the broker has hung up already.
    ///
    /// # Panics
    /// Where the system does not tell.
    pub fn is_cut_now(&mut self) -> bool {
        self.stream.set_nonblocking(true).expect("a socket may not wait");
        let read = self.stream.read(&mut [0; 64]);
        self.stream.set_nonblocking(false).expect("a socket may wait");
        !matches!(read, Err(error) if error.kind() == std::io::ErrorKind::WouldBlock)
    }

    /// Publishes these in turn, so many a second in all, for as long; gives how many he got rid of.
    pub fn flood(&mut self, what: &[(&str, &[u8])], a_second: u32, long: Duration) -> u64 {
        let began = Instant::now();
        let mut sent = 0;
        while began.elapsed() < long {
            let due = (began.elapsed().as_secs_f64() * f64::from(a_second)) as u64;
            while sent < due {
                let (topic, payload) = what[sent as usize % what.len()];
                if self.publish(topic, payload, false).is_err() {
                    return sent;
                }
                sent += 1;
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        sent
    }
}

/// A text with its length.
fn push(body: &mut Vec<u8>, text: &[u8]) {
    let length = u16::try_from(text.len()).unwrap_or(u16::MAX);
    body.extend(length.to_be_bytes());
    body.extend(text);
}

/// A packet with its length, seven bits a byte.
fn packet(kind: u8, body: &[u8]) -> Vec<u8> {
    let mut packet = vec![kind];
    let mut left = body.len();
    loop {
        let seven = (left % 128) as u8;
        left /= 128;
        packet.push(if left > 0 { seven | 0x80 } else { seven });
        if left == 0 {
            break;
        }
    }
    packet.extend(body);
    packet
}
