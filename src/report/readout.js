// Tells the values under the pointer in a line below the plot. The page is complete without it.
for (const svg of document.querySelectorAll("figure svg")) {
  const data = JSON.parse((svg.querySelector("metadata") || { textContent: "null" }).textContent);
  if (!data) continue;
  const told = svg.closest("figure").appendChild(document.createElement("p"));
  told.className = "told";
  told.textContent = "Move over the plot to read its values.";
  const line = svg.appendChild(document.createElementNS(svg.namespaceURI, "line"));
  line.setAttribute("stroke", "#777777");
  line.setAttribute("stroke-width", "2");
  const curves = [...svg.querySelectorAll("polyline")].map(curve => ({
    part: (data.lines.find(([colour]) => colour === curve.getAttribute("stroke")) || [])[1],
    points: curve.getAttribute("points").trim().split(" ").map(point => point.split(",").map(Number)),
  })).filter(curve => curve.part && curve.points.length > 2);
  const within = (panel, [x, y]) => x >= panel.frame[0] && x <= panel.frame[1] && y >= panel.frame[2] - 2 && y <= panel.frame[3] + 2;
  const digits = value => Number(value.toPrecision(4)).toString();
  // Heights of a curve at a place: those of the points in that column, or what lies between its neighbours.
  const heights = (points, x) => {
    const here = points.filter(point => Math.abs(point[0] - x) <= 1).map(point => point[1]);
    const next = points.findIndex(point => point[0] > x);
    if (here.length || next < 1) return here;
    const [[x0, y0], [x1, y1]] = [points[next - 1], points[next]];
    return [y0 + (y1 - y0) * (x - x0) / (x1 - x0)];
  };
  const tell = event => {
    const box = svg.getBoundingClientRect(), view = svg.viewBox.baseVal;
    const scale = Math.max(view.width / box.width, view.height / box.height);
    const x = (event.clientX - box.left - box.width / 2) * scale + view.width / 2;
    const y = (event.clientY - box.top - box.height / 2) * scale + view.height / 2;
    const panel = data.panels.find(one => within(one, [x, y]));
    if (!panel) return;
    const [left, right, top, bottom] = panel.frame, [x0, x1, y0, y1] = panel.ends;
    for (const [name, value] of [["x1", x], ["x2", x], ["y1", top], ["y2", bottom]]) line.setAttribute(name, value);
    const along = x0 + (x1 - x0) * (x - left) / (right - left);
    const at = digits(panel.decades ? 10 ** along : along) + " " + panel.units[0];
    const parts = data.lines.map(([, part]) => {
      const found = curves.filter(curve => curve.part === part && within(panel, curve.points[1])).flatMap(curve => heights(curve.points, x));
      const upward = found.map(height => y0 + (y1 - y0) * (bottom - height) / (bottom - top));
      const values = upward.map(value => panel.upright ? 10 ** value : value);
      if (!values.length) return "";
      const [low, high] = [Math.min(...values), Math.max(...values)].map(digits);
      return part + " " + (low === high ? low : low + " to " + high) + " " + panel.units[1];
    });
    told.textContent = panel.name + " at " + at + ": " + parts.filter(Boolean).join("; ");
  };
  svg.addEventListener("pointermove", tell);
  svg.addEventListener("pointerdown", tell);
}
document.documentElement.dataset.told = "yes";
