// A waveform of a short stretch, with the lines of its decisions.

export const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

/** Read a WAV file of 16 or 24 bits: {rate, channels, frames, sample(frame, channel)}. */
export function readWav(buffer) {
  const view = new DataView(buffer);
  let at = 12, form = null, data = null;
  while (at + 8 <= view.byteLength) {
    const id = String.fromCharCode(...new Uint8Array(buffer, at, 4)), size = view.getUint32(at + 4, true);
    if (id === "fmt ") form = { channels: view.getUint16(at + 10, true), rate: view.getUint32(at + 12, true), bits: view.getUint16(at + 22, true) };
    if (id === "data") data = { start: at + 8, size: Math.min(size, view.byteLength - at - 8) };
    at += 8 + size + (size & 1);
  }
  const bytes = form.bits / 8, frames = Math.floor(data.size / bytes / form.channels);
  const sample = (frame, channel) => {
    const place = data.start + (frame * form.channels + channel) * bytes;
    if (bytes === 2) return view.getInt16(place, true) / 32768;
    return (view.getInt16(place + 1, true) * 256 + view.getUint8(place)) / 8388608;
  };
  return { ...form, frames, sample };
}

/** The lowest and highest sample of each column, with a gain in dB. */
export function peaksOf(wav, columns, gainDb) {
  const gain = 10 ** (gainDb / 20);
  const low = new Float32Array(columns), high = new Float32Array(columns);
  const step = Math.max(1, Math.floor(wav.frames / columns / 64));
  for (let x = 0; x < columns; x++) {
    const end = Math.floor((x + 1) * wav.frames / columns);
    for (let i = Math.floor(x * wav.frames / columns); i < end; i += step) {
      for (let c = 0; c < wav.channels; c++) {
        const value = gain * wav.sample(i, c);
        if (value < low[x]) low[x] = value;
        if (value > high[x]) high[x] = value;
      }
    }
  }
  return { low, high };
}

/** A canvas's pen and size in device pixels, which it gets. */
export function fitted(canvas) {
  const ratio = window.devicePixelRatio || 1, width = Math.round(canvas.clientWidth * ratio), height = Math.round(canvas.clientHeight * ratio);
  if (canvas.width !== width || canvas.height !== height) [canvas.width, canvas.height] = [width, height];
  return { pen: canvas.getContext("2d"), width, height, ratio };
}

/** Draw peaks; marks: [{at: 0…1, name, main}]; shades: [{from, to}] in 0…1; played: 0…1 or null. */
export function draw(canvas, peaks, marks, shades, played) {
  const { pen, width, height, ratio } = fitted(canvas), middle = height / 2;
  pen.clearRect(0, 0, width, height);
  pen.fillStyle = colour("--pale");
  for (const { from, to } of shades) pen.fillRect(from * width, 0, (to - from) * width, height);
  pen.fillStyle = colour("--ink");
  const columns = peaks ? peaks.low.length : 0;
  for (let x = 0; x < columns; x++) {
    const top = middle - peaks.high[x] * middle, bottom = middle - peaks.low[x] * middle;
    pen.fillRect(x * width / columns, top, Math.max(1, width / columns), Math.max(1, bottom - top));
  }
  pen.font = `${12 * ratio}px ${getComputedStyle(document.body).fontFamily}`;
  for (const { at, name, main } of marks) {
    pen.fillStyle = colour(main ? "--accent" : "--faded");
    pen.fillRect(at * width - ratio / 2, 0, (main ? 2 : 1) * ratio, height);
    const wide = pen.measureText(name).width + 8 * ratio;
    pen.fillText(name, at * width + wide < width ? at * width + 4 * ratio : at * width - wide + 4 * ratio, 13 * ratio);
  }
  if (played !== null) {
    pen.fillStyle = colour("--accent");
    pen.fillRect(played * width, 0, 2 * ratio, height);
  }
}
