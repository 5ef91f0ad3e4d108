// What the task Point draws over a picture: outlines, handles, boxes, and a loupe.

/** Side of the loupe and its least magnification, CSS pixels. */
const [LOUPE, TIMES] = [150, 8];

/** Draws in one pane, at places of the picture. */
export class Drawing {
  /** @param {CanvasRenderingContext2D} pen Set to CSS pixels. @param {import("/page/viewer.js").View} view */
  constructor(pen, view) {
    this.pen = pen;
    this.view = view;
  }

  /** Where a place of the picture is in the pane. @param {number[]} p @returns {[number, number]} */
  at(p) {
    const { x, y, scale, width, height } = this.view;
    return [(p[0] - x) * scale + width / 2, (p[1] - y) * scale + height / 2];
  }

  /** @param {number[][]} corners @param {string} colour @param {number} width */
  outline(corners, colour, width) {
    const { pen } = this;
    pen.beginPath();
    for (const corner of corners) pen.lineTo(...this.at(corner));
    pen.closePath();
    pen.strokeStyle = colour;
    pen.lineWidth = width;
    pen.stroke();
  }

  /** The wedge with a handle at each corner. @param {number[][]} quad @param {number | undefined} moving */
  wedge(quad, moving) {
    const { pen } = this;
    this.outline(quad, "#000", 3);
    this.outline(quad, "#fff", 1.5);
    quad.forEach((corner, index) => {
      pen.beginPath();
      pen.arc(...this.at(corner), 7, 0, 7);
      pen.fillStyle = index === moving ? "#fff" : "#0a5f73";
      pen.strokeStyle = index === moving ? "#000" : "#fff";
      pen.lineWidth = 2;
      pen.fill();
      pen.stroke();
    });
  }

  /** @param {number[]} ends Left, top, right, lower end. */
  box([left, top, right, low]) {
    const corners = [[left, top], [right, top], [right, low], [left, low]];
    this.outline(corners, "#000", 4);
    this.outline(corners, "#fff", 2);
  }

  /** @param {number[]} p */
  place(p) {
    const { pen } = this;
    for (const [colour, width] of /** @type {[string, number][]} */ ([["#000", 4], ["#fff", 2]])) {
      pen.beginPath();
      pen.arc(...this.at(p), 9, 0, 7);
      pen.strokeStyle = colour;
      pen.lineWidth = width;
      pen.stroke();
    }
  }

  /** Single pixels around a place, beside it. @param {{draw: (pen: CanvasRenderingContext2D) => void}} picture @param {number[]} p */
  loupe(picture, p) {
    const { pen, view } = this;
    const [column, row] = this.at(p);
    const x = column > LOUPE + 40 ? column - LOUPE - 30 : column + 30;
    const y = Math.min(Math.max(row - LOUPE / 2, 4), view.height - LOUPE - 4);
    const [middle, across] = [x + LOUPE / 2, y + LOUPE / 2];
    pen.save();
    pen.beginPath();
    pen.rect(x, y, LOUPE, LOUPE);
    pen.clip();
    pen.fillStyle = "#777";
    pen.fillRect(x, y, LOUPE, LOUPE);
    const times = devicePixelRatio * Math.max(TIMES, view.scale * 2);
    pen.setTransform(times, 0, 0, times, devicePixelRatio * middle, devicePixelRatio * across);
    pen.translate(-p[0], -p[1]);
    pen.imageSmoothingEnabled = false;
    picture.draw(pen);
    pen.restore();
    for (const [colour, width] of /** @type {[string, number][]} */ ([["#000", 4], ["#fff", 2]])) {
      pen.strokeStyle = colour;
      pen.lineWidth = width;
      pen.strokeRect(x, y, LOUPE, LOUPE);
      pen.beginPath();
      for (const [u, v] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
        pen.moveTo(middle + 4 * u, across + 4 * v);
        pen.lineTo(middle + 25 * u, across + 25 * v);
      }
      pen.stroke();
    }
  }
}
