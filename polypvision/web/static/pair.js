// The code comes after the # of the scanned link, so that no server ever sees it in an address.
const code = location.hash.slice(1);
if (code) {
  history.replaceState(null, "", "/pair");
  const form = document.querySelector("form");
  form.elements.code.value = decodeURIComponent(code);
  form.requestSubmit();
}
