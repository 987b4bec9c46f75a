// Printing a page.
(function () {
    document.addEventListener("click", (event) => {
        if (event.target.closest(".print-button")) {
            window.print();
        }
    });
})();
