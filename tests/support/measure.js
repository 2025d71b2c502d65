// What is measured in a page; the result becomes its title.
const luminance = colour => {
  const part = colour.match(/[\d.]+/g).map(Number).slice(0, 3).map(c => { c /= 255; return c <= 0.03928 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4; });
  return 0.2126 * part[0] + 0.7152 * part[1] + 0.0722 * part[2];
};
const ground = element => {
  for (let at = element; at; at = at.parentElement) {
    const colour = getComputedStyle(at).backgroundColor;
    if (colour !== "rgba(0, 0, 0, 0)") return colour;
  }
  return "rgb(255, 255, 255)";
};
const contrast = element => {
  const [a, b] = [luminance(getComputedStyle(element).color), luminance(ground(element))].sort((x, y) => y - x);
  return (a + 0.05) / (b + 0.05);
};
const texts = [...document.querySelectorAll("body *")].filter(e => !e.closest("svg") && e.tagName !== "SCRIPT" && [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim()));
const shown = element => element.getClientRects().length > 0;
// A pointer over the middle of the first panel of each plot that has a read-out.
const point = svg => {
  const data = JSON.parse(svg.querySelector("metadata").textContent), [left, right, top, bottom] = data.panels[0].frame;
  const box = svg.getBoundingClientRect(), view = svg.viewBox.baseVal, scale = Math.max(view.width / box.width, view.height / box.height);
  const clientX = box.left + box.width / 2 + ((left + right) / 2 - view.width / 2) / scale;
  const clientY = box.top + box.height / 2 + ((top + bottom) / 2 - view.height / 2) / scale;
  svg.dispatchEvent(new PointerEvent("pointermove", { clientX, clientY, bubbles: true }));
};
document.querySelectorAll("figure svg").forEach(svg => svg.querySelector("metadata") && point(svg));
// Names by which a screen reader tells controls, and the order of headings.
const named = element => (element.getAttribute("aria-label") || element.textContent).trim();
const levels = [...document.querySelectorAll("h1, h2, h3, h4")].map(e => Number(e.tagName[1]));
const measured = {
  outcomes: [...document.querySelectorAll(".verdict .outcome")].map(e => e.getBoundingClientRect().bottom),
  cards: [...document.querySelectorAll(".verdict")].map(e => e.getBoundingClientRect().bottom),
  height: innerHeight,
  beyond: document.documentElement.scrollWidth - innerWidth,
  broken: [...document.querySelectorAll("a[href]")].map(a => a.getAttribute("href")).filter(h => !h.startsWith("#") || !document.getElementById(h.slice(1))),
  links: document.querySelectorAll("a[href]").length,
  faint: texts.filter(shown).filter(e => contrast(e) < LEAST).map(e => e.textContent.slice(0, 40)),
  told: [...document.querySelectorAll(".told")].map(e => e.textContent),
  screens: [...document.querySelectorAll("figure svg")].map(e => e.getBoundingClientRect().height / innerHeight),
  unnamed: [...document.querySelectorAll("table")].filter(t => !t.querySelector("th[scope]")).length,
  jumps: levels.filter((level, k) => level > (k ? levels[k - 1] : 0) + 1).length,
  nameless: [...document.querySelectorAll("a, button, summary, [tabindex]")].filter(e => !named(e)).length,
  blind: [...document.querySelectorAll("svg")].filter(e => !e.querySelector("title") && !e.closest("[aria-hidden]")).length,
  landmarks: ["header", "nav", "main"].filter(name => document.querySelectorAll(name).length !== 1),
  language: document.documentElement.lang,
  unfocused: [...document.querySelectorAll("a[href], summary, [tabindex='0']")].filter(shown).filter(e => {
    e.focus({ focusVisible: true });
    return document.activeElement === e && getComputedStyle(e).outlineStyle === "none";
  }).map(e => e.textContent.slice(0, 40)),
};
// The page as it is set on paper: the rules for print on a body of the width of a sheet of A4 without its margins.
for (const sheet of document.styleSheets) for (const rule of sheet.cssRules) {
  if (rule.media && rule.media.mediaText === "print") rule.media.mediaText = "all";
}
document.body.style.width = "188mm";
const begin = document.body.getBoundingClientRect().top;
measured.paper = ["#outcomes .cards", "#outcomes .matrix"].map(name => document.querySelector(name).getBoundingClientRect()).map(box => (box.bottom - begin) * 25.4 / 96);
measured.letters = texts.filter(shown).map(e => [parseFloat(getComputedStyle(e).fontSize) * 0.75, e.closest("[class]")?.className + ": " + e.textContent.slice(0, 40)]).filter(([points]) => points < 7.99).map(pair => pair.join(" "));
document.title = "MEASURED" + JSON.stringify(measured) + "END";
