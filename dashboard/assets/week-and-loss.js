// Printing a page, saving a chart as a picture, drawing charts that were folded.
(function () {
    document.addEventListener("click", (event) => {
        if (event.target.closest(".print-button")) {
            window.print();
        }
        const button = event.target.closest("button.png");
        const plot = button && button.closest("section").querySelector(".js-plotly-plot");
        if (plot && window.Plotly) {
            const title = button.closest("section").querySelector("h2");
            const name = (title ? title.textContent : "chart")
                .replace(/[^\p{L}\p{N}]+/gu, "-").slice(0, 60);
            const size = plot.getBoundingClientRect();
            window.Plotly.downloadImage(plot, {
                format: "png", scale: 2, filename: "arcdrift-" + name,
                width: Math.round(size.width), height: Math.round(size.height),
            });
        }
    });
    // a chart that was drawn while it was folded has no width yet
    document.addEventListener("toggle", (event) => {
        if (event.target.open && event.target.querySelector(".js-plotly-plot")) {
            window.dispatchEvent(new Event("resize"));
        }
    }, true);
})();
