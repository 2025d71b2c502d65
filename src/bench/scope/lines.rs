//! Bytes to whole lines of UTF-8, block by block.

use super::Fault;
use encoding_rs::{Decoder, Encoding, UTF_8, UTF_16BE, UTF_16LE, WINDOWS_1252};
use std::io::Read;

/// What the layout is judged by, in bytes.
const BEGINNING: usize = 256 * 1024;
/// Room for text, in bytes; no line is longer.
const ROOM: usize = 1 << 20;
/// Bytes of a source that are decoded at a time.
const PIECE: usize = 64 * 1024;
/// Share of bytes of value 0 at every other place from which text is taken for UTF-16.
const ZEROS: f64 = 0.3;
/// First bytes of files that are no text.
const OTHERS: [(&[u8], &str); 5] = [
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"BM", "a picture"),
    (b"PK\x03\x04", "a packed file or a workbook"),
    (b"%PDF", "a printed page"),
];

/// A text of which a block stands in memory.
pub(super) struct Lines<R> {
    source: R,
    decoder: Option<Decoder>,
    raw: Vec<u8>,
    text: Vec<u8>,
    begin: usize,
    ended: bool,
    /// Line number from 1 of the first line of the block.
    pub number: usize,
    pub encoding: &'static str,
}

impl<R: Read> Lines<R> {
    /// Reads the beginning of a source, up to a size that does not depend on how it hands over its bytes.
    pub fn new(mut source: R) -> Result<Lines<R>, Fault> {
        let mut raw = vec![0; BEGINNING];
        let mut filled = 0;
        let mut ended = false;
        while filled < raw.len() && !ended {
            let count = take(&mut source, &mut raw[filled..])?;
            filled += count;
            ended = count == 0;
        }
        raw.truncate(filled);
        let (encoding, mark) = encoding_of(&raw)?;
        raw.drain(..mark);
        let decoder = (encoding != UTF_8).then(|| encoding.new_decoder_without_bom_handling());
        let mut lines = Lines {
            source,
            decoder,
            raw: vec![],
            text: vec![],
            begin: 0,
            ended: false,
            number: 1,
            encoding: match encoding.name() {
                "windows-1252" => "Windows-1252",
                name => name,
            },
        };
        lines.add(&raw, ended);
        lines.raw = vec![0; PIECE];
        lines.ended = ended;
        Ok(lines)
    }

    fn add(&mut self, bytes: &[u8], last: bool) {
        let Some(decoder) = &mut self.decoder else { return self.text.extend_from_slice(bytes) };
        let most = decoder.max_utf8_buffer_length(bytes.len()).unwrap_or(0);
        let before = self.text.len();
        self.text.resize(before + most, 0);
        let (_, _, written, _) = decoder.decode_to_utf8(bytes, &mut self.text[before..], last);
        self.text.truncate(before + written);
    }

    /// The text that stands ready: whole lines, or at the end of the source all that is left.
    pub fn ready(&self) -> &[u8] {
        let text = &self.text[self.begin..];
        match text.iter().rposition(|byte| *byte == b'\n' || *byte == b'\r') {
            _ if self.ended => text,
            Some(last) => &text[..=last],
            None => &[],
        }
    }

    /// Whether the source has nothing more.
    pub fn has_ended(&self) -> bool {
        self.ended
    }

    /// Goes on behind what has been used, with the next block of the source.
    pub fn go_on(&mut self, used: usize) -> Result<(), Fault> {
        self.begin += used;
        if self.ended {
            return Ok(());
        }
        self.text.drain(..self.begin);
        self.begin = 0;
        loop {
            if self.text.len() > ROOM {
                return Err(Fault::new(self.number, "a line of more than a million bytes", "rows of numbers", ""));
            }
            let mut raw = std::mem::take(&mut self.raw);
            let count = take(&mut self.source, &mut raw)?;
            self.ended = count == 0;
            self.add(&raw[..count], self.ended);
            self.raw = raw;
            // A line may end in two bytes, of which only one is there.
            if self.ended || self.text.iter().rev().take(count.max(1)).any(|byte| *byte == b'\n' || *byte == b'\r') {
                return Ok(());
            }
        }
    }
}

fn take(source: &mut impl Read, into: &mut [u8]) -> Result<usize, Fault> {
    loop {
        match source.read(into) {
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
            Err(error) => return Err(Fault::new(0, error.to_string(), "a file that can be read", "")),
            Ok(count) => return Ok(count),
        }
    }
}

/// The encoding of a text and the length of its mark, by its beginning.
fn encoding_of(bytes: &[u8]) -> Result<(&'static Encoding, usize), Fault> {
    if bytes.is_empty() {
        return Err(Fault::new(0, "an empty file", "rows of numbers", "export the record again"));
    }
    if let Some((_, what)) = OTHERS.iter().find(|(begin, _)| bytes.starts_with(begin)) {
        return Err(Fault::new(0, *what, "a text file with rows of numbers", "export the record as text (CSV)"));
    }
    if let Some(known) = Encoding::for_bom(bytes) {
        return Ok(known);
    }
    let zeros = |first: usize| bytes.iter().skip(first).step_by(2).filter(|byte| **byte == 0).count();
    let enough = ZEROS * (bytes.len() / 2) as f64;
    let (even, odd) = (zeros(0), zeros(1));
    match (even as f64 > enough, odd as f64 > enough) {
        (false, true) => return Ok((UTF_16LE, 0)),
        (true, false) => return Ok((UTF_16BE, 0)),
        _ if even + odd > 0 => {
            let hint = "export the record as text (CSV)";
            return Err(Fault::new(
                0,
                "bytes of value 0, as in a binary file",
                "a text file with rows of numbers",
                hint,
            ));
        }
        _ => {}
    }
    // The beginning may end within a letter.
    let is_utf8 = std::str::from_utf8(bytes).map_or_else(|error| error.error_len().is_none(), |_| true);
    Ok((if is_utf8 { UTF_8 } else { WINDOWS_1252 }, 0))
}
