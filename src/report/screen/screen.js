// Tells the part under the pointer in a line below the plot, and marks it in both plots. The page is complete without it.
const marks = [...document.querySelectorAll("figure svg g[data-part]")];
for (const svg of document.querySelectorAll("figure svg")) {
  const line = svg.closest("figure").querySelector(".told");
  line.textContent = "Move over the plot to read a part.";
  const tell = event => {
    const mark = event.target.closest("g[data-part]");
    if (!mark) return;
    line.textContent = mark.querySelector("title").textContent;
    marks.forEach(one => one.classList.toggle("chosen", one.dataset.part === mark.dataset.part));
  };
  svg.addEventListener("pointermove", tell);
  svg.addEventListener("pointerdown", tell);
}
document.documentElement.dataset.told = "yes";
