"""PAGE: the keeper's page: what each room of this board is like, and a way to tell it things, from a phone.

In:    the status file, the record (read only), settings; forms of a browser.
Out:   HTML pages; requests in the spool, which the loop answers.
Never: touches a relay, decides anything, or asks for what the spool has no kind for. It is a process of its
       own: it may hang, be flooded or die, and the loop does not notice.
"""
