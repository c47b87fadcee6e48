// Shows the OpenAPI document of this server; nothing is loaded from elsewhere.
window.addEventListener("DOMContentLoaded", () => {
  SwaggerUIBundle({ url: "/openapi.json", dom_id: "#docs", deepLinking: true, validatorUrl: null, tryItOutEnabled: true });
});
