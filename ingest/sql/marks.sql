-- How far loads of files that were broken off have come.

-- name: batches
select batches from load_mark where account_id = %(account_id)s and kind = %(kind)s and file = %(file)s

-- name: mark
insert into load_mark (account_id, kind, file, batches) values (%(account_id)s, %(kind)s, %(file)s, %(batches)s)
on conflict (account_id, kind, file) do update set batches = excluded.batches, marked_at = now()

-- name: unmark
delete from load_mark where account_id = %(account_id)s and kind = %(kind)s and file = %(file)s
