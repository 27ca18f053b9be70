"""Reading running text: files, collections and other libraries' data sets, into lines and flat arrays of tokens."""
