// A parallel projection that turns freely and flies to a place.

class Camera {
  constructor(centre, toward, up, mmPerPx) {
    this.centre = centre;
    this.mmPerPx = mmPerPx;
    this.look(toward, up);
  }

  look(toward, up) {
    this.toward = unit(toward);
    this.up = unit(sum(up, this.toward, -dot(up, this.toward)));
    this.right = cross(this.up, this.toward);
  }

  turn(aboutUp, aboutRight) {
    const spin = (v, axis, angle) => sum(sum(
      [v[0] * Math.cos(angle), v[1] * Math.cos(angle), v[2] * Math.cos(angle)],
      cross(axis, v), Math.sin(angle)), axis, dot(axis, v) * (1 - Math.cos(angle)));
    let toward = spin(this.toward, this.up, aboutUp);
    const right = spin(this.right, this.up, aboutUp);
    toward = spin(toward, right, aboutRight);
    this.look(toward, spin(this.up, right, aboutRight));
  }

  shift(xPx, yPx) {
    this.centre = sum(sum(this.centre, this.right, -xPx * this.mmPerPx), this.up, yPx * this.mmPerPx);
  }

  project(p, width, height) {
    const off = sum(p, this.centre, -1);
    return [width / 2 + dot(off, this.right) / this.mmPerPx,
      height / 2 - dot(off, this.up) / this.mmPerPx];
  }

  copy() { return new Camera(this.centre, this.toward, this.up, this.mmPerPx); }

  // Somewhere between two cameras; 0 is the first, 1 the second.
  between(from, to, share) {
    const blend = (a, b) => sum([a[0] * (1 - share), a[1] * (1 - share), a[2] * (1 - share)], b, share);
    this.centre = blend(from.centre, to.centre);
    this.mmPerPx = from.mmPerPx ** (1 - share) * to.mmPerPx ** share;
    let toward = blend(from.toward, to.toward);
    // Half a turn has no shortest way: pass over the side.
    if (dot(from.toward, to.toward) < -0.98) toward = sum(toward, from.right, Math.sin(Math.PI * share));
    let up = blend(from.up, to.up);
    if (Math.abs(dot(unit(up), unit(toward))) > 0.98) up = to.up;
    this.look(toward, up);
  }
}
