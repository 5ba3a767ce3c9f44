"use strict";
// Zooming of the ribbons: draws any stretch of the take from the page's own data. Without script the page stays whole.
(() => {
  const take = JSON.parse(document.getElementById("take").textContent);
  const ribbons = document.getElementById("ribbons");
  const output = document.getElementById("view");
  const ruler = document.getElementById("ruler");
  const whole = { first: 0, end: Math.max(take.frames, 1) };
  let view = { ...whole };
  let current = -1;
  const strips = [];

  for (const cell of ribbons.querySelectorAll(".strip[data-line]")) {
    const line = take.lines[cell.dataset.line];
    if (!line) continue;
    const canvas = document.createElement("canvas");
    canvas.setAttribute("aria-hidden", "true");
    cell.append(canvas);
    const text = atob(line.levels);
    const levels = Uint8Array.from(text, (c) => c.charCodeAt(0));
    strips.push({ canvas, levels, line, number: Number(cell.dataset.line), cell });
  }

  const clock = (frame, fine) => {
    const ms = Math.round((frame * 1000) / take.rate);
    const h = Math.floor(ms / 3600000), m = Math.floor(ms / 60000) % 60, s = Math.floor(ms / 1000) % 60;
    const two = (n) => String(n).padStart(2, "0");
    const head = h ? `${h}:${two(m)}:${two(s)}` : `${m}:${two(s)}`;
    return fine ? `${head}.${String(ms % 1000).padStart(3, "0")}` : head;
  };

  function draw() {
    const zoomed = view.first > 0 || view.end < whole.end;
    ribbons.classList.toggle("zoomed", zoomed);
    const fine = view.end - view.first < take.rate * 60;
    ruler.firstElementChild.textContent = clock(view.first, fine);
    ruler.lastElementChild.textContent = clock(view.end, fine);
    output.textContent = zoomed ? `${clock(view.first, fine)} to ${clock(view.end, fine)}` : "whole take";
    if (zoomed) strips.forEach(paint);
  }

  function paint(strip) {
    const { canvas, levels, line } = strip;
    const scale = window.devicePixelRatio || 1;
    const width = Math.max(1, Math.round(canvas.clientWidth * scale));
    const height = Math.max(1, Math.round(canvas.clientHeight * scale));
    canvas.width = width;
    canvas.height = height;
    const g = canvas.getContext("2d");
    const notch = Math.round(6 * scale);
    const span = view.end - view.first;
    const at = (frame) => ((frame - view.first) / span) * width;
    const shades = take.shades.length - 1;
    for (let x = 0; x < width; x++) {
      const a = ((view.first + (x / width) * span) / whole.end) * levels.length;
      const b = ((view.first + ((x + 1) / width) * span) / whole.end) * levels.length;
      let top = 0;
      for (let i = Math.floor(a); i < Math.max(b, Math.floor(a) + 1) && i < levels.length; i++) top = Math.max(top, levels[i]);
      const db = top / 2 - 100;
      const share = Math.min(1, Math.max(0, 1 - db / take.floor));
      g.fillStyle = take.shades[Math.round(share * shades)];
      g.fillRect(x, notch, 1, height - notch);
    }
    const paper = getComputedStyle(document.documentElement).getPropertyValue("--ground");
    for (const [first, end] of line.gaps) {
      if (end < view.first || first > view.end) continue;
      g.fillStyle = paper;
      g.fillRect(at(first), notch - 1, Math.max(1.5 * scale, at(end) - at(first)), height);
    }
    const hair = (frame, light) => {
      g.fillStyle = "#000";
      g.fillRect(at(frame) - (light / 2 + 1) * scale, notch, (light + 2) * scale, height - notch);
      g.fillStyle = "#fff";
      g.fillRect(at(frame) - (light / 2) * scale, notch, light * scale, height - notch);
    };
    take.marks.forEach(([frame]) => { if (frame >= view.first && frame <= view.end) hair(frame, 1); });
    const text = getComputedStyle(document.body).color;
    for (const frame of line.overs) {
      if (frame < view.first || frame > view.end) continue;
      hair(frame, 2);
      g.fillStyle = text;
      g.beginPath();
      g.moveTo(at(frame) - 4 * scale, 0);
      g.lineTo(at(frame) + 4 * scale, 0);
      g.lineTo(at(frame), notch - scale);
      g.fill();
    }
    const finding = take.findings[current];
    if (finding && (finding.lines.length === 0 || finding.lines.includes(strip.number))) {
      g.strokeStyle = text;
      g.lineWidth = 2 * scale;
      for (const [first, end] of finding.spans) {
        if (end < view.first || first > view.end) continue;
        const x = Math.max(at(first), scale), w = Math.max(4 * scale, Math.min(at(end), width - scale) - x);
        g.setLineDash([4 * scale, 2 * scale]);
        g.strokeRect(x, scale, w, height - 2 * scale);
      }
    }
  }

  function show(first, end) {
    const least = take.rate / 4;
    let length = Math.min(Math.max(end - first, least), whole.end);
    let start = Math.min(Math.max(0, first), whole.end - length);
    view = { first: start, end: start + length };
    draw();
  }

  const zoom = (factor) => {
    const middle = (view.first + view.end) / 2, half = ((view.end - view.first) / 2) * factor;
    show(middle - half, middle + half);
  };
  const move = (share) => {
    const step = (view.end - view.first) * share;
    show(view.first + step, view.end + step);
  };

  document.getElementById("whole").onclick = () => show(0, whole.end);
  document.getElementById("closer").onclick = () => zoom(0.5);
  document.getElementById("wider").onclick = () => zoom(2);
  document.getElementById("earlier").onclick = () => move(-0.5);
  document.getElementById("later").onclick = () => move(0.5);
  const song = document.getElementById("song");
  if (song) song.onchange = () => {
    const [first, end] = song.value ? song.value.split(",").map(Number) : [0, whole.end];
    show(first, end);
  };
  ribbons.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const act = { ArrowLeft: () => move(-0.25), ArrowRight: () => move(0.25), "+": () => zoom(0.5), "=": () => zoom(0.5),
      "-": () => zoom(2), 0: () => show(0, whole.end), Home: () => show(0, whole.end) }[event.key];
    if (act) { event.preventDefault(); act(); }
  });
  ribbons.addEventListener("click", (event) => {
    const cell = event.target.closest(".strip[data-line]");
    if (!cell) return;
    const box = cell.getBoundingClientRect();
    const middle = view.first + ((event.clientX - box.left) / box.width) * (view.end - view.first);
    const half = (view.end - view.first) / 8;
    show(middle - half, middle + half);
  });
  for (const button of document.querySelectorAll("button.place")) {
    button.onclick = () => {
      current = Number(button.dataset.finding);
      const finding = take.findings[current];
      const [first, end] = finding.spans[Number(button.dataset.span)];
      const margin = Math.max(take.rate * 2, (end - first) * 0.5);
      document.querySelectorAll(".finding.current").forEach((item) => item.classList.remove("current"));
      document.getElementById(`finding-${current}`).classList.add("current");
      show(first - margin, end + margin);
      const strip = strips.find((s) => finding.lines.includes(s.number)) || strips[0];
      if (strip) strip.cell.scrollIntoView({ block: "nearest" });
    };
  }
  let waiting = 0;
  window.addEventListener("resize", () => { cancelAnimationFrame(waiting); waiting = requestAnimationFrame(draw); });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  draw();
})();
