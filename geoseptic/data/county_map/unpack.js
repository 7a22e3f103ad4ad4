// The parcels out of their packed bytes; geoseptic/sheets/packing.py says how these are laid out.

async function unpacked(text) {
  const binary = atob(text);
  const raw = new Uint8Array(binary.length);
  for (let n = 0; n < raw.length; n++) raw[n] = binary.charCodeAt(n);
  const stream = new Blob([raw]).stream().pipeThrough(new DecompressionStream("gzip"));
  const bytes = new Uint8Array(await new Response(stream).arrayBuffer());
  const length = new DataView(bytes.buffer).getUint32(0, true);
  const head = JSON.parse(new TextDecoder().decode(bytes.subarray(4, 4 + length)));
  const start = 4 + length;
  const section = (name) => {
    const [at, size] = head.sections[name];
    return bytes.subarray(start + at, start + at + size);
  };
  const named = (kind) => Object.keys(head.sections).filter((name) => name.startsWith(kind)).map((name) => name.slice(kind.length));
  const found = { ...head, count: head.ids.length, classes: {}, numbers: {}, texts: {} };
  for (const name of named("class ")) found.classes[name] = Uint8Array.from(whole(section(`class ${name}`)));
  // Areas of large parcels are beyond 32 bits.
  for (const name of named("number ")) {
    const unfold = (n) => (n === 0 ? NaN : (n - 1) % 2 ? -n / 2 : (n - 1) / 2);
    found.numbers[name] = whole(section(`number ${name}`), Float64Array).map((n) => unfold(n) / head.steps_a_unit);
  }
  for (const name of named("text ")) {
    const entries = offsets(whole(section(`lengths ${name}`)));
    found.texts[name] = { of: whole(section(`text ${name}`)), entries, words: whole(section(`words ${name}`)) };
  }
  found.rings = offsets(whole(section("rings")));
  found.corners = offsets(whole(section("corners")));
  found.xy = whole(section("steps"));
  for (let n = 0, x = 0, y = 0; n < found.xy.length; n += 2) {
    found.xy[n] = x += unfolded(found.xy[n]);
    found.xy[n + 1] = y += unfolded(found.xy[n + 1]);
  }
  return found;
}

function whole(bytes, Kind = Int32Array) {
  let count = 0;
  for (const byte of bytes) if (byte < 128) count++;
  const values = new Kind(count);
  for (let n = 0, at = 0; n < count; n++) {
    let value = 0, times = 1, byte;
    do {
      byte = bytes[at++];
      value += (byte & 127) * times;
      times *= 128;
    } while (byte > 127);
    values[n] = value;
  }
  return values;
}

function unfolded(value) {
  return (value >>> 1) ^ -(value & 1);
}

// Where each of several runs of so many values begins; one more for the end of the last.
function offsets(lengths) {
  const starts = new Int32Array(lengths.length + 1);
  for (let n = 0; n < lengths.length; n++) starts[n + 1] = starts[n] + lengths[n];
  return starts;
}

// The parts of a text: reasons, assumptions and the like.
function partsOf(data, name, parcel) {
  const text = data.texts[name];
  if (!text) return [];
  const entry = text.of[parcel];
  return Array.from(text.words.subarray(text.entries[entry], text.entries[entry + 1]), (word) => data.words[word]);
}
