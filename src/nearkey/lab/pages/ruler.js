// Real millimetres: a card of ISO/IEC 7810 ID-1 (85.60 x 53.98 mm) is held to the screen and its outline made to fit.

const key = "nearkey-lab-pixels-per-mm", cssPixelsPerMm = 96 / 25.4;
export const cardMm = [85.6, 53.98];

export function measured() {
  const value = Number(localStorage.getItem(key));
  return value > 0.5 && value < 100 ? { pixelsPerMm: value, calibrated: true } : { pixelsPerMm: cssPixelsPerMm, calibrated: false };
}

export function cardControl(onChange) {
  const box = document.createElement("fieldset");
  box.innerHTML = `<legend>Real millimetres</legend>
    <p class="note">Hold a bank or identity card (85.6 x 54 mm) to the screen, its left edge on the line, and move the slider until the
    outline is as wide as the card.</p>
    <div class="card"><svg height="20" role="img" aria-label="Outline of a card"><rect x="1" y="1"/><text x="10" y="22">card</text></svg></div>
    <label>Card's width <input type="range" id="card-width" min="1.5" max="12" step="0.005" aria-describedby="card-says"></label>
    <p class="note" id="card-says"></p>
    <button type="button" id="card-keep">Keep this size</button>`;
  const slider = box.querySelector("input"), says = box.querySelector("#card-says"), svg = box.querySelector("svg");
  const draw = () => {
    const scale = Number(slider.value);
    svg.setAttribute("width", cardMm[0] * scale + 2);
    svg.setAttribute("height", cardMm[1] * scale + 2);
    svg.querySelector("rect").setAttribute("width", cardMm[0] * scale);
    svg.querySelector("rect").setAttribute("height", cardMm[1] * scale);
    const { calibrated, pixelsPerMm } = measured();
    const kept = calibrated && Math.abs(pixelsPerMm - scale) < 0.006;
    says.textContent = `${scale.toFixed(2)} pixels a millimetre, ${kept ? "measured on this screen" : calibrated ? "not kept yet" : "not measured yet"}`;
  };
  slider.value = measured().pixelsPerMm;
  slider.addEventListener("input", draw);
  box.querySelector("button").addEventListener("click", () => {
    localStorage.setItem(key, slider.value);
    draw();
    onChange();
  });
  draw();
  return box;
}
