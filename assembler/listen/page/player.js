// One player for the page. It begins at a low volume, and does not jump up in level.

const LOUDER_DB = 6, RAMP_S = 1;
let context = null, volume = null, current = null, lastDb = null;
let level = 0.15;

/** Set the volume, 0 to 1. */
export function setVolume(value) {
  level = value;
  if (volume) volume.gain.setTargetAtTime(value, context.currentTime, 0.02);
}

/** Return what is playing, or being fetched to be played: {button, share of it that is over}, or null. */
export function playing() {
  if (!current) return null;
  return { button: current.button, share: current.source ? (context.currentTime - current.began) / current.duration : 0 };
}

/** Whether what has begun is still what plays. */
export const isOn = (begun) => current === begun;

/** Stop what is playing, and take a button's place in its stead; done is called at its end. */
export function begin(button, done) {
  stop();
  current = { button, done };
  return current;
}

/** Stop what is playing. */
export function stop() {
  if (!current) return;
  const ended = current;
  current = null;
  if (ended.source) {
    ended.source.onended = null;
    ended.source.stop();
  }
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

/** Play a WAV file (an ArrayBuffer) for what has begun, unless it was stopped meanwhile; gainDb is added. */
export async function play(begun, wav, gainDb) {
  if (!context) {
    context = new AudioContext();
    volume = context.createGain();
    volume.gain.value = level;
    volume.connect(context.destination);
  }
  await context.resume();
  const buffer = await context.decodeAudioData(wav.slice(0));
  if (!isOn(begun)) return;
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
  Object.assign(begun, { source, began, duration: buffer.duration });
  source.onended = () => {
    if (isOn(begun)) current = null;
    begun.done();
  };
  source.start();
}
