// Shows the API's description; nothing is fetched from anywhere but here.
SwaggerUIBundle({
  url: document.getElementById("api").dataset.description,
  dom_id: "#api",
  validatorUrl: null,
  deepLinking: false,
  defaultModelsExpandDepth: 0,
});
