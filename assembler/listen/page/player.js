// One player for the page. It begins at a low volume, and does not jump up in level.

const LOUDER_DB = 6, RAMP_S = 1;
let context = null, volume = null, current = null, lastDb = null;
let level = 0.15;

/** Set the volume, 0 to 1. */
export function setVolume(value) {
  level = value;
  if (volume) volume.gain.setTargetAtTime(value, context.currentTime, 0.02);
}

/** Return what is playing: {key, position in seconds, duration}, or null. */
export function playing() {
  if (!current) return null;
  return { key: current.key, position: context.currentTime - current.began, duration: current.duration };
}

/** Stop what is playing. */
export function stop() {
  if (!current) return;
  const ended = current;
  current = null;
  ended.source.onended = null;
  ended.source.stop();
  ended.done();
}

const rmsDb = (buffer) => {
  let sum = 0, count = 0;
  for (let c = 0; c < buffer.numberOfChannels; c++) {
    const samples = buffer.getChannelData(c), step = Math.max(1, Math.floor(samples.length / 20000));
    for (let i = 0; i < samples.length; i += step, count++) sum += samples[i] * samples[i];
  }
  return 10 * Math.log10(sum / Math.max(1, count) + 1e-9);
};

/** Play a WAV file (an ArrayBuffer); gainDb is added; done is called at its end. */
export async function play(key, wav, gainDb, done) {
  stop();
  if (!context) {
    context = new AudioContext();
    volume = context.createGain();
    volume.gain.value = level;
    volume.connect(context.destination);
  }
  await context.resume();
  const buffer = await context.decodeAudioData(wav.slice(0));
  stop();
  const source = context.createBufferSource(), own = context.createGain();
  source.buffer = buffer;
  source.connect(own).connect(volume);
  const gain = 10 ** (gainDb / 20), loudness = rmsDb(buffer) + gainDb, began = context.currentTime;
  own.gain.setValueAtTime(gain, began);
  if (lastDb !== null && loudness > lastDb + LOUDER_DB) {
    own.gain.setValueAtTime(gain * 10 ** ((lastDb - loudness) / 20), began);
    own.gain.exponentialRampToValueAtTime(gain, began + RAMP_S);
  }
  lastDb = loudness;
  current = { key, source, began, duration: buffer.duration, done };
  source.onended = () => {
    if (current && current.source === source) current = null;
    done();
  };
  source.start();
}
