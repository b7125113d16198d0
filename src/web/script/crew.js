// The crew's page.
