// On the sign-in page nobody is signed in: nothing that was kept for the road stays on the device.
(function () {
    if (!window.caches) {
        return;
    }
    caches.keys().then((names) => names.forEach((name) => caches.delete(name)));
})();
