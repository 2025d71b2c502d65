// Tells the point under the pointer for all parts in a line below the plots, and marks it in each of them. The page is complete without it.
const all = JSON.parse(document.getElementById("values").textContent);
for (const figure of document.querySelectorAll("figure[data-map]")) {
  const map = all.maps[figure.dataset.map];
  const quantity = map.quantities[figure.dataset.quantity];
  const svg = figure.querySelector(".scroll svg");
  const line = figure.querySelector(".told");
  const plots = [...svg.querySelectorAll("g.plot")];
  const [width, height] = all.size;
  const [columns, rows] = [map.columns.values.length, map.rows.values.length];
  const frames = plots.map(plot => {
    const frame = document.createElementNS("http://www.w3.org/2000/svg", "rect");
    frame.setAttribute("width", width / columns);
    frame.setAttribute("height", height / rows);
    frame.setAttribute("class", "chosen");
    frame.style.display = "none";
    plot.append(frame);
    return frame;
  });
  line.textContent = "Move over a plot to read a point.";
  const tell = event => {
    const plot = event.target.closest("g.plot");
    if (!plot) return;
    const place = new DOMPoint(event.clientX, event.clientY).matrixTransform(plot.getScreenCTM().inverse());
    const column = Math.floor(place.x / width * columns);
    const row = rows - 1 - Math.floor(place.y / height * rows);
    if (column < 0 || row < 0 || column >= columns || row >= rows) return;
    for (const frame of frames) {
      frame.setAttribute("x", column * width / columns);
      frame.setAttribute("y", (rows - 1 - row) * height / rows);
      frame.style.display = "";
    }
    const values = all.parts.map((part, number) => {
      const value = quantity.cells[number][row][column];
      return `${part} ${value}${/[0-9]$/.test(value) ? " " + quantity.unit : ""}`;
    });
    line.textContent = `${map.columns.label} ${map.columns.values[column]}, ${map.rows.label} ${map.rows.values[row]}: ${values.join("; ")}`;
  };
  svg.addEventListener("pointermove", tell);
  svg.addEventListener("pointerdown", tell);
}
document.documentElement.dataset.told = "yes";
