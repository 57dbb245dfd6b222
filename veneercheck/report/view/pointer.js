// Mouse, pen and fingers: one turns, two zoom and shift, a tap asks; a view may take strokes.

const TURN_PER_PX = 0.008;

class Pointer {
  constructor(view) {
    this.view = view;
    this.down = new Map();
    const { canvas } = view;
    canvas.addEventListener("pointerdown", (event) => this.press(event));
    canvas.addEventListener("pointermove", (event) => this.move(event));
    canvas.addEventListener("pointerup", (event) => this.lift(event));
    canvas.addEventListener("pointercancel", (event) => this.down.delete(event.pointerId));
    canvas.addEventListener("contextmenu", (event) => event.preventDefault());
    canvas.addEventListener("wheel", (event) => {
      if (document.activeElement !== canvas) return;
      event.preventDefault();
      view.camera.mmPerPx *= Math.exp(event.deltaY * 0.0012);
      view.rested();
    }, { passive: false });
  }

  press(event) {
    this.view.canvas.focus({ preventScroll: true });
    this.view.canvas.setPointerCapture(event.pointerId);
    this.down.set(event.pointerId, [event.offsetX, event.offsetY]);
    this.travelled = 0;
    this.hand(event);
  }

  // A view that paints takes the stroke of one finger or button; two fingers still turn and zoom.
  hand(event) {
    const painting = this.view.painting && this.down.size === 1 && !event.shiftKey && !(event.buttons & 6);
    if (painting) this.view.stroke(event.offsetX, event.offsetY);
    return painting;
  }

  move(event) {
    const { view } = this;
    const here = [event.offsetX, event.offsetY], last = this.down.get(event.pointerId);
    if (!last) {
      if (event.pointerType === "mouse") view.hover?.(here);
      return;
    }
    const step = [here[0] - last[0], here[1] - last[1]];
    this.travelled += Math.abs(step[0]) + Math.abs(step[1]);
    if (this.hand(event)) {
      this.down.set(event.pointerId, here);
      return;
    }
    if (this.down.size === 2) this.pinch(event.pointerId, last, here);
    else if (event.shiftKey || event.buttons & 6) view.camera.shift(...step);
    else view.camera.turn(-step[0] * TURN_PER_PX, -step[1] * TURN_PER_PX);
    this.down.set(event.pointerId, here);
    view.rested();
  }

  pinch(id, last, here) {
    const other = [...this.down].find(([key]) => key !== id)[1];
    const before = Math.hypot(last[0] - other[0], last[1] - other[1]);
    const after = Math.hypot(here[0] - other[0], here[1] - other[1]);
    this.view.camera.mmPerPx *= before / Math.max(after, 1);
    this.view.camera.shift((here[0] - last[0]) / 2, (here[1] - last[1]) / 2);
  }

  lift(event) {
    const { view } = this;
    const painted = view.painting;
    if (this.down.delete(event.pointerId) && this.travelled < 5 && !painted) view.tap(event.offsetX, event.offsetY);
  }
}
