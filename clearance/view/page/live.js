// Owns the live page: free parameters, every pose asked of the engine that serves the page.
export function live() {
  return null;
}
