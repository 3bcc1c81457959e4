// Fingers, mouse and wheel on the drawing: it is moved, magnified, and stays where it was put.

/** Lets pointers hold the picture of `section`; `changed` is called after each move. */
export function holdPicture(canvas, section, changed) {
  const fingers = new Map();
  canvas.onpointerdown = (event) => {
    if (section.mode === "plan") return;
    canvas.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, [event.offsetX, event.offsetY]);
  };
  canvas.onpointermove = (event) => {
    const from = fingers.get(event.pointerId);
    if (!from) return;
    const to = [event.offsetX, event.offsetY];
    const other = [...fingers].find(([id]) => id !== event.pointerId)?.[1];
    const apart = (p) => Math.hypot(p[0] - other[0], p[1] - other[1]);
    const factor = other && apart(from) > 10 ? apart(to) / apart(from) : 1;
    section.nudge(to[0] - from[0], to[1] - from[1], factor);
    fingers.set(event.pointerId, to);
    changed();
  };
  canvas.onpointerup = canvas.onpointercancel = (event) => fingers.delete(event.pointerId);
  canvas.onwheel = (event) => {
    event.preventDefault();
    if (section.mode === "plan") return;
    section.nudge(0, 0, Math.exp(-event.deltaY / 500));
    changed();
  };
}
