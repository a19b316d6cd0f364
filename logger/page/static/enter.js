// The part of an address behind # is not sent; it fills in the token and is taken away.

if (location.hash.length > 1) {
  document.querySelector("[name=token]").value = decodeURIComponent(location.hash.slice(1));
  history.replaceState(null, "", location.pathname);
}
