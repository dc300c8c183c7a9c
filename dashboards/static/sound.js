// Sound on the page of notices, for who allows it with one tap: when something is told that nobody has taken, and
// again every 30 s while what must be done at once waits (IMO MSC.302(87), 7.3.5). Words say the same without it.
"use strict";
(() => {
  const AGAIN_MS = 30000;
  const button = document.getElementById("sound");
  const AudioOf = window.AudioContext;
  if (!button || !AudioOf) return;
  let audio = null; // null while sound is off
  let known = new Set();
  let soundedMs = -Infinity;

  const waiting = () => [...document.querySelectorAll(".told[data-new]")];
  const tone = (hertz, after) => {
    const from = audio.currentTime + after;
    const source = audio.createOscillator();
    const volume = audio.createGain();
    source.frequency.value = hertz;
    volume.gain.setValueAtTime(0.0001, from);
    volume.gain.exponentialRampToValueAtTime(0.4, from + 0.02);
    volume.gain.exponentialRampToValueAtTime(0.0001, from + 0.3);
    source.connect(volume).connect(audio.destination);
    source.start(from);
    source.stop(from + 0.35);
  };
  const sound = () => {
    soundedMs = performance.now();
    tone(660, 0);
    tone(880, 0.4);
    button.dataset.sounded = String(Number(button.dataset.sounded || 0) + 1);
  };
  const look = () => {
    const found = waiting();
    const fresh = found.some((one) => !known.has(one.id));
    const urgent = found.some((one) => one.dataset.new === "hold");
    known = new Set(found.map((one) => one.id));
    if (audio !== null && (fresh || (urgent && performance.now() - soundedMs >= AGAIN_MS))) sound();
  };
  const show = () => {
    button.textContent = audio === null ? button.dataset.off : button.dataset.on;
    button.setAttribute("aria-pressed", String(audio !== null));
  };
  button.addEventListener("click", () => {
    if (audio === null) {
      audio = new AudioOf();
      sound(); // so that it is heard that it can be heard
    } else {
      audio.close();
      audio = null;
    }
    show();
  });
  button.hidden = false;
  show();
  look();
  document.addEventListener("fresh", look);
  setInterval(look, 5000);
})();
