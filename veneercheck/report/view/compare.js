// Two views side by side: what one does the other follows, and one can be wiped over the other.

const ALIKE_READINGS = 4;

Promise.all(started).then(() => {
  const [earlier, later] = ["earlier", "later"].map((name) => document.getElementById(name).view);
  const wipe = document.getElementById("wipe");
  if (!earlier || !later) { wipe.closest("p").hidden = true; return; }
  earlier.other = later;
  later.other = earlier;
  later.follow(earlier);
  later.cutAlike(earlier);
  // What both have is shown alike; what is to be done and what was done are each one's own.
  for (const [one, other] of [[earlier, later], [later, earlier]]) {
    one.root.querySelectorAll("[data-reading]").forEach((button) => button.addEventListener("click", () => {
      const index = Number(button.dataset.reading);
      if (index < ALIKE_READINGS) other.setReading(index);
    }));
  }
  document.querySelectorAll("[data-go]").forEach((link) => link.addEventListener("click", (event) => {
    event.preventDefault();
    const { view } = document.getElementById(link.dataset.go);
    view.canvas.scrollIntoView({ block: "nearest" });
    view.flyToZone(Number(link.dataset.number));
  }));
  const over = document.createElement("canvas");
  over.className = "over";
  over.setAttribute("aria-hidden", "true");
  later.canvas.after(over);
  earlier.drawn = (canvas) => {
    if (!Number(wipe.value)) return;
    Object.assign(over, { width: canvas.width, height: canvas.height });
    over.getContext("2d").drawImage(canvas, 0, 0);
  };
  wipe.addEventListener("input", () => {
    over.hidden = !Number(wipe.value);
    over.style.setProperty("--wiped", `${100 - Number(wipe.value)}%`);
    earlier.ask(false);
  });
  over.hidden = true;
  document.body.dataset.linked = "yes";
});
