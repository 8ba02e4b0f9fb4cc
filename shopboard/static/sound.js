// What is told by ear: a tone at once, then the sentence that came with the cue, in the browser's own voice.

export const KINDS = {
  ready: "ready", push: "each push", pull: "each pull", "half-stroke": "half strokes", slipped: "base slipped",
  enough: "enough", result: "the result", refused: "no result", "gauge-lost": "gauge lost",
};

// Hertz, seconds, one after another: a push is low, a pull high, trouble goes down.
const TONES = {
  ready: [[523, 0.12], [659, 0.12]], push: [[330, 0.12]], pull: [[880, 0.12]], "half-stroke": [[440, 0.07], [440, 0.07]],
  slipped: [[600, 0.15], [300, 0.25]], enough: [[659, 0.1], [784, 0.1], [988, 0.2]], result: [[784, 0.25]],
  refused: [[392, 0.2], [262, 0.4]], "gauge-lost": [[247, 0.3], [247, 0.3], [185, 0.5]],
};

let context = null;
let on = false;

export const isOn = () => on;

export function turn(now) {
  on = now;
  if (on && context === null && window.AudioContext) context = new AudioContext();
  if (on && context) context.resume().catch(() => {});
  if (!on && window.speechSynthesis) speechSynthesis.cancel();
}

function tones(kind) {
  if (!context) return;
  let at = context.currentTime + 0.01;
  for (const [hertz, seconds] of TONES[kind] || []) {
    const [source, gain] = [context.createOscillator(), context.createGain()];
    source.frequency.value = hertz;
    source.type = "triangle";
    gain.gain.setValueAtTime(0.0001, at);
    gain.gain.exponentialRampToValueAtTime(0.4, at + 0.01);
    gain.gain.exponentialRampToValueAtTime(0.0001, at + seconds);
    source.connect(gain).connect(context.destination);
    source.start(at);
    source.stop(at + seconds + 0.02);
    at += seconds + 0.04;
  }
}

function speak(text, language, kind) {
  if (!window.speechSynthesis || !text) return;
  const stroke = kind === "push" || kind === "pull";
  if (stroke && speechSynthesis.pending) return; // late numbers help nobody; the tone told it
  if (!stroke) speechSynthesis.cancel();
  const one = new SpeechSynthesisUtterance(text);
  one.lang = language;
  speechSynthesis.speak(one);
}

export function tell(cue, language, silent) {
  if (!on || silent.has(cue.kind)) return;
  tones(cue.kind);
  speak(cue.speech[language] || cue.speech.en, language, cue.kind);
}
