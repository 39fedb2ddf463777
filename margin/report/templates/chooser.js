// Shows the blocks of the option that the reader chooses, and hides those of the others.
const chooser = document.getElementById("option-in-focus");
const parts = document.querySelectorAll("[data-option]");
const show = () => {
  for (const part of parts) part.hidden = part.dataset.option !== chooser.value;
};
chooser.closest("[hidden]").hidden = false;
chooser.addEventListener("change", show);
// a browser that goes back to the page keeps the choice
window.addEventListener("pageshow", show);
